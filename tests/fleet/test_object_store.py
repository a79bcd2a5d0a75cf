"""Captures in a bucket: the same verdicts as from the disk, over the protocol itself, on a local object server.

Needs moto and s3fs, which nothing else here needs: `pip install "moto[server]" s3fs`.
"""

from pathlib import Path

import pytest

from busdoc.many.intake.sources import captures_of
from busdoc.many.judged import Outcome, Reports, Task
from busdoc.many.work.judging import judge
from tests.truth.fleet_captures import KINDS, Drop, write_capture

moto_server = pytest.importorskip("moto.server")
s3fs = pytest.importorskip("s3fs")


def test_captures_in_a_bucket_are_judged_as_those_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    server = moto_server.ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    server.start()
    try:
        host, port = server.get_host_and_port()
        for name, value in (
            ("AWS_ENDPOINT_URL", f"http://{host}:{port}"),
            ("AWS_ACCESS_KEY_ID", "testing"),
            ("AWS_SECRET_ACCESS_KEY", "testing"),
            ("AWS_DEFAULT_REGION", "us-east-1"),
        ):
            monkeypatch.setenv(name, value)
        drops = [Drop(at_s=12.0, controllers=("hopper",))]
        path = write_capture(tmp_path / "SW-1" / "day.log", KINDS[0], 24.0, drops, seed=1)
        files = s3fs.S3FileSystem()
        files.mkdir("park")
        files.pipe("park/SW-1/day.log", path.read_bytes())
        files.pipe("park/SW-1/empty.log", b"")
        machine = str(path.parent / "machine.toml")
        found = list(captures_of(["s3://park"], machine_file=machine))
        assert [(one.machine, one.files) for one in found] == [
            ("SW-1", ("s3://park/SW-1/day.log",)),
            ("SW-1", ("s3://park/SW-1/empty.log",)),
        ]
        good, empty = (judge(Task(number=1, capture=one, reports=Reports.NONE)) for one in found)
        assert empty.outcome is Outcome.COULD_NOT
        (local,) = captures_of([str(path)])
        here = judge(Task(number=1, capture=local, reports=Reports.NONE))
        assert good.outcome is Outcome.JUDGED
        assert good.body == here.body
        assert good.document == here.document.replace(str(path), "day.log")
    finally:
        server.stop()
