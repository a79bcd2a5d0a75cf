"""Map and database joined: each controller once, with the streams that either knows."""

from pathlib import Path

from busdoc.decode.database.database import load_databases
from busdoc.health.roll.known import join_specs
from busdoc.health.roll.roll import specs_from_database
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from busdoc.machine.machine_map import load_machine, specs

ROOT = Path(__file__).parents[3]


def spec(name: str, identity: Identity, *streams: tuple[int, int | None], by: PeriodFrom) -> ControllerSpec:
    expects = tuple(ExpectedStream(id=i, extended=False, period_ns=p, period_from=by) for i, p in streams)
    return ControllerSpec(name=name, identity=identity, expects=expects)


def test_what_the_map_says_stands_and_the_database_adds_its_streams() -> None:
    mapped = spec("hopper", Identity(address=0x31), (0x100, 5), by=PeriodFrom.MAP)
    known = spec("HOP", Identity(address=0x31, sender="HOP"), (0x100, 7), (0x200, 9), by=PeriodFrom.DATABASE)
    (joined,) = join_specs([mapped], [known])
    assert joined.name == "hopper"
    assert joined.identity.sender == "HOP"
    assert [(stream.id, stream.period_ns) for stream in joined.expects] == [(0x100, 5), (0x200, 9)]


def test_controllers_on_different_channels_are_different() -> None:
    one = ControllerSpec(name="a", channel=0, identity=Identity(address=3))
    other = ControllerSpec(name="b", channel=1, identity=Identity(address=3))
    assert join_specs([one], [other]) == (one, other)


def test_a_database_of_canopen_nodes_joins_a_map_of_nodes() -> None:
    database = specs_from_database(load_databases([ROOT / "dbc_examples" / "straddle_carrier.dbc"]))
    mapped = specs(load_machine(ROOT / "captures" / "straddle_carrier" / "machine.toml"))
    joined = join_specs(mapped, database)
    assert [one.name for one in joined] == [one.name for one in mapped]
    assert all(one.identity.sender for one in joined)
