"""The strip of presence: what is drawn before a controller was heard, and after."""

from busdoc.report.terminal.strip import ASCII, draw_strip
from tests.health.made_traffic import S, health_of, merged, named, ticking

A, B = 0x18FF0131, 0x18FF0142


def strip_of(name: str, *sent: object) -> str:
    health = health_of(merged(*sent))  # type: ignore[arg-type]  # streams, handed through
    return draw_strip(named(health, name), (), health.start_ns, health.until_ns, 30, ASCII)


def test_before_its_first_frame_a_controller_is_not_drawn_as_heard() -> None:
    late = ticking(A, 10 * S)
    assert strip_of("address 0x31", late, ticking(B)) == " " * 10 + "#" * 20
    assert strip_of("address 0x42", late, ticking(B)) == "#" * 30


def test_after_its_last_frame_one_that_nobody_can_call_absent_is_not_drawn_as_heard() -> None:
    said_once = ticking(A, 10 * S, until_ns=10 * S)
    assert strip_of("address 0x31", said_once, ticking(B)) == " " * 10 + "#" + " " * 19
    gone = ticking(A, until_ns=10 * S)  # one with a rhythm is absent, and drawn so
    assert strip_of("address 0x31", gone, ticking(B)).strip("#") == "." * 20
