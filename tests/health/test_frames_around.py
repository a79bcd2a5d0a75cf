"""The frames around a loss are those of the capture, byte for byte, as python-can reads it."""

import gzip
from pathlib import Path

import can

from busdoc.analysis.postmortem import postmortem

CAPTURE = Path(__file__).parents[2] / "captures" / "street_sweeper" / "capture.log.gz"


def test_last_and_first_frames_are_those_that_were_recorded(tmp_path: Path) -> None:
    plain = tmp_path / "capture.log"
    plain.write_bytes(gzip.decompress(CAPTURE.read_bytes()))
    heard: dict[tuple[int, bool], list[tuple[float, bytes]]] = {}
    for message in can.LogReader(plain):
        if not message.is_error_frame:
            key = (message.arbitration_id, message.is_extended_id)
            heard.setdefault(key, []).append((message.timestamp, bytes(message.data)))
    losses = [loss for incident in postmortem([CAPTURE]).incidents for loss in incident.losses if loss.frames]
    assert len(losses) >= 3
    for loss in losses:
        for frames in loss.frames:
            own = heard[frames.stream.id, frames.stream.extended]
            split_s = (loss.last_seen_ns + 100) / 1e9
            before = [payload for t_s, payload in own if t_s <= split_s]
            after = [payload for t_s, payload in own if t_s > split_s]
            assert [payload for _, payload in frames.before] == before[-len(frames.before) :]
            assert [payload for _, payload in frames.after] == after[: len(frames.after)]
            assert 1 <= len(frames.before) <= 4
            assert frames.before[-1][0] <= loss.last_seen_ns
