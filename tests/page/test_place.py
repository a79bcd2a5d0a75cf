"""Where the page is served, what the code holds, and what is refused in a sentence."""

import ssl
import subprocess
import sys
from pathlib import Path

import pytest

from busdoc.errors import InputError
from busdoc.page.code import code_rows
from busdoc.page.place import Place, bind, is_for_this_computer_alone
from tests.page.served import served

ROOT = Path(__file__).parents[2]


def released(place: Place) -> Place:
    for one in place.sockets:
        one.close()
    return place


def test_without_an_address_it_is_for_this_computer_alone() -> None:
    place = bind(None, 0)
    assert [one.getsockname()[0] for one in place.sockets] == ["127.0.0.1"]
    assert is_for_this_computer_alone(place)
    released(place)


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "224.0.0.1", "no.such.name.invalid", "192.0.2.77", "x y"])
def test_an_address_that_is_not_one_of_this_computer_is_refused(address: str) -> None:
    with pytest.raises(InputError):
        released(bind(address, 0))


def test_a_port_that_is_taken_is_refused_or_the_next_one_taken() -> None:
    first = bind(None, 0)
    with pytest.raises(InputError, match="one that is taken"):
        released(bind(None, first.port))
    other = bind(None, None, wished=first.port)
    assert other.port != first.port
    released(other)
    released(first)


def test_a_code_holds_the_link(tmp_path: Path) -> None:
    """Read back by another library: the modules are those that the standard asks for, and dark on light."""
    link = "https://192.168.137.100:8717/#" + "aB3_-" * 4 + "xy"
    for dark_ink in (True, False):
        rows = code_rows(link, dark_ink=dark_ink)
        assert len(rows) <= 17  # of a terminal of 24 lines
        assert {len(row) for row in rows} == {33}
        upper = [[letter in "▀█" for letter in row] for row in rows]
        lower = [[letter in "▄█" for letter in row] for row in rows]
        dark = [[cell is dark_ink for cell in row] for pair in zip(upper, lower, strict=True) for row in pair][:33]
        finder = [(0, 0), (0, 22), (22, 0)]
        for y0, x0 in finder:  # ISO/IEC 18004, 6.3.3: 7 x 7, a light ring inside, 3 x 3 dark in the middle
            for y in range(7):
                for x in range(7):
                    is_dark = max(abs(y - 3), abs(x - 3)) != 2
                    assert dark[2 + y0 + y][2 + x0 + x] is is_dark


def made_certificate(folder: Path) -> tuple[Path, Path]:
    certificate, key = folder / "cert.pem", folder / "key.pem"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    words += ["-days", "2", "-keyout", str(key), "-out", str(certificate), "-subj", "/CN=localhost"]
    try:
        subprocess.run([*words, "-addext", "subjectAltName=IP:127.0.0.1"], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("openssl is missing")
    return certificate, key


def test_a_certificate_encrypts(tmp_path: Path) -> None:
    certificate, key = made_certificate(tmp_path)
    with served(seconds=0.5, certificate=certificate, key=key) as page:
        assert page.server.place.scheme == "https"
        trusted = ssl.create_default_context(cafile=str(certificate))
        phone = page.phone(trusted=trusted)
        assert phone.press("act", action="wiggle", part="harness-A")["logged"]


@pytest.mark.parametrize("spoilt", ["missing", "text", "no key"])
def test_a_certificate_that_cannot_be_used_is_refused(tmp_path: Path, spoilt: str) -> None:
    certificate = tmp_path / "cert.pem"
    if spoilt == "text":
        certificate.write_text("no certificate", encoding="utf-8")
    elif spoilt == "no key":
        made_certificate(tmp_path)
    with pytest.raises(InputError, match="a certificate and its key"):
        released(bind(None, 0, certificate))


def test_without_the_packages_of_the_page_a_sentence_says_what_to_install() -> None:
    code = (
        "import sys, importlib.abc\n"
        "class Gone(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.split('.')[0] == 'starlette':\n"
        "            raise ModuleNotFoundError(name)\n"
        "import importlib.util\n"
        "real = importlib.util.find_spec\n"
        "importlib.util.find_spec = lambda name, package=None: None if name == 'starlette' else real(name, package)\n"
        "from busdoc.cli.main import main\n"
        "sys.exit(main(['isolate', '--no-bus', '--page']))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=False)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert 'no starlette. Install them: pip install "busdoc[page]"' in done.stderr
