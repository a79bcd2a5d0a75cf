"""Loading databases: what is dirty is named, what cannot be used is an error with its place, and what a frame is."""

from pathlib import Path

import numpy as np
import pytest

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.database import Database, Message, Signal, SignalKind, load_databases
from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.signals import decode
from busdoc.errors import InputError

HEAD = 'VERSION ""\n\nBS_:\n\nBU_: pump tank\n\n'


def write(folder: Path, text: str, name: str = "machine.dbc", encoding: str = "cp1252") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def message_line(frame_id: int, name: str = "Status", length: int = 8) -> str:
    return f"BO_ {frame_id} {name}: {length} pump\n"


def test_senders_cycle_names_and_ranges_are_read(tmp_path: Path) -> None:
    text = (
        HEAD
        + message_line(0x181)
        + ' SG_ Pressure : 7|16@0- (0.1,-5) [-5|250] "bar" tank\n'
        + ' SG_ State : 16|3@1+ (1,0) [0|7] "" tank\n\n'
        + 'CM_ SG_ 385 Pressure "At the outlet.";\n'
        + 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
        + 'BA_ "GenMsgCycleTime" BO_ 385 250;\nVAL_ 385 State 0 "OFF" 1 "RUN" ;\n'
    )
    database = load_databases([write(tmp_path, text)])
    assert database.nodes == ("pump", "tank")
    (message,) = database.messages
    assert (message.name, message.frame_id, message.extended, message.length) == ("Status", 0x181, False, 8)
    assert (message.senders, message.cycle_ns, message.by_group) == (("pump",), 250_000_000, False)
    found = database.signal("Status.Pressure")
    assert found is not None
    pressure = found[1]
    assert (pressure.start, pressure.length, pressure.little_endian, pressure.signed) == (7, 16, False, True)
    assert (pressure.scale, pressure.offset, pressure.minimum, pressure.maximum) == (0.1, -5.0, -5.0, 250.0)
    assert (pressure.unit, pressure.kind, pressure.comment) == ("bar", SignalKind.ANALOGUE, "At the outlet.")
    state = message.signal("State")
    assert state is not None
    assert (state.kind, state.label(1), state.label(5)) == (SignalKind.ENUMERATED, "RUN", "")
    assert database.signal("Status.Nothing") is None
    assert database.warnings == ()


class TestWhatAFrameIs:
    """SAE J1939-21: what belongs to the parameter group, and what does not."""

    def database(self, tmp_path: Path, *frame_ids: int, extra: str = "") -> Database:
        body = "".join(
            message_line(0x80000000 | frame_id, f"M{frame_id:08X}") + ' SG_ A : 0|8@1+ (1,0) [0|0] "" tank\n\n'
            for frame_id in frame_ids
        )
        return load_databases([write(tmp_path, HEAD + body + extra)])

    def found(self, database: Database, frame_id: int, *, extended: bool = True) -> str | None:
        message = database.find(0, frame_id, extended)
        return message.name if message else None

    def test_priority_and_source_are_no_part_of_the_group(self, tmp_path: Path) -> None:
        database = self.database(tmp_path, 0x0CF004FE)
        assert self.found(database, 0x0CF00400) == "M0CF004FE"
        assert self.found(database, 0x18F00417) == "M0CF004FE"
        assert self.found(database, 0x0CF00300) is None

    def test_the_destination_of_a_pdu1_format_is_no_part_of_the_group(self, tmp_path: Path) -> None:
        database = self.database(tmp_path, 0x0C00FFFE, 0x18FEF1FE)
        assert self.found(database, 0x0C002117) == "M0C00FFFE"
        assert self.found(database, 0x18FEF221) is None  # in a PDU2 format those bits are the group's

    def test_the_data_pages_are_part_of_the_group(self, tmp_path: Path) -> None:
        database = self.database(tmp_path, 0x18FEF1FE)
        assert self.found(database, 0x19FEF100) is None
        assert self.found(database, 0x1AFEF100) is None

    def test_the_exact_identifier_comes_first(self, tmp_path: Path) -> None:
        database = self.database(tmp_path, 0x0CF004FE, 0x0CF00401)
        assert self.found(database, 0x0CF00401) == "M0CF00401"
        assert self.found(database, 0x0CF00402) == "M0CF004FE"

    def test_an_11_bit_frame_matches_by_its_identifier_only(self, tmp_path: Path) -> None:
        database = load_databases([write(tmp_path, HEAD + message_line(0x181))])
        assert self.found(database, 0x181, extended=False) == "Status"
        assert self.found(database, 0x181, extended=True) is None
        assert self.found(database, 0x182, extended=False) is None

    def test_a_proprietary_group_is_its_senders_own(self, tmp_path: Path) -> None:
        database = self.database(tmp_path, 0x18FF3131, 0x18FEF131)
        assert self.found(database, 0x0CFF3131) == "M18FF3131"  # another priority
        assert self.found(database, 0x18FF3127) is None  # another maker's controller may mean anything by it
        assert self.found(database, 0x18FEF127) == "M18FEF131"

    def test_a_proprietary_group_from_any_source_may_be_declared(self, tmp_path: Path) -> None:
        declared = 'BA_DEF_ "ProtocolType" STRING;\nBA_DEF_DEF_ "ProtocolType" "";\nBA_ "ProtocolType" "J1939";\n'
        database = self.database(tmp_path, 0x18FF3131, extra=declared)
        assert self.found(database, 0x18FF3127) == "M18FF3131"

    def test_29_bit_identifiers_that_are_no_groups_match_exactly(self, tmp_path: Path) -> None:
        database = self.database(tmp_path, 0x00000123, 0x10000456, 0x18FEF100)
        assert self.found(database, 0x00000123) == "M00000123"
        assert self.found(database, 0x00000124) is None
        assert self.found(database, 0x18FEF101) is None

    def test_an_answer_is_remembered_without_growing_without_end(self, tmp_path: Path) -> None:
        database = self.database(tmp_path, 0x0CF004FE)
        for frame_id in range(70_000):
            database.find(0, frame_id, True)
        assert self.found(database, 0x0CF00400) == "M0CF004FE"


class TestChannels:
    def test_a_file_may_hold_for_one_channel_only(self, tmp_path: Path) -> None:
        left = write(tmp_path, HEAD + message_line(0x181, "Left"), "left.dbc")
        right = write(tmp_path, HEAD + message_line(0x181, "Right"), "right.dbc")
        database = load_databases([(0, left), (1, right)])
        assert [message.name for channel in (0, 1) if (message := database.find(channel, 0x181, False))] == [
            "Left",
            "Right",
        ]
        assert database.find(2, 0x181, False) is None
        assert database.warnings == ()

    def test_a_bound_file_comes_before_one_that_holds_everywhere(self, tmp_path: Path) -> None:
        anywhere = write(tmp_path, HEAD + message_line(0x181, "Anywhere"), "anywhere.dbc")
        bound = write(tmp_path, HEAD + message_line(0x181, "Bound"), "bound.dbc")
        database = load_databases([anywhere, (1, bound)])
        names = [message.name for channel in (0, 1) if (message := database.find(channel, 0x181, False))]
        assert names == ["Anywhere", "Bound"]

    def test_a_channel_may_be_named_as_the_capture_names_it(self, tmp_path: Path) -> None:
        path = write(tmp_path, HEAD + message_line(0x181))
        channels = ChannelTable()
        assert [channels.number(name) for name in ("front", "rear")] == [0, 1]
        database = load_databases([("rear", path)]).bind(channels)
        assert database.find(0, 0x181, False) is None
        assert database.find(1, 0x181, False) is not None

    def test_a_name_that_ends_in_digits_is_known_before_the_capture(self, tmp_path: Path) -> None:
        database = load_databases([("can3", write(tmp_path, HEAD + message_line(0x181)))])
        assert database.find(3, 0x181, False) is not None
        assert database.find(0, 0x181, False) is None


class TestDirtyFiles:
    def test_overlapping_signals_are_named_and_used(self, tmp_path: Path) -> None:
        text = HEAD + message_line(0x181) + ' SG_ A : 0|8@1+ (1,0) [0|0] "" tank\n SG_ B : 4|8@1+ (1,0) [0|0] "" tank\n'
        database = load_databases([write(tmp_path, text)])
        assert database.warnings == ("machine.dbc: the signals A and B are overlapping in message Status",)
        assert len(database.messages[0].signals) == 2

    def test_branches_of_a_multiplex_may_share_bits(self, tmp_path: Path) -> None:
        text = (
            HEAD
            + message_line(0x181)
            + ' SG_ M M : 0|2@1+ (1,0) [0|0] "" tank\n SG_ A m0 : 8|8@1+ (1,0) [0|0] "" tank\n'
            + ' SG_ B m1 : 8|8@1+ (1,0) [0|0] "" tank\n'
        )
        assert load_databases([write(tmp_path, text)]).warnings == ()

    def test_a_signal_outside_its_message_is_named(self, tmp_path: Path) -> None:
        text = HEAD + message_line(0x181, length=2) + ' SG_ A : 12|8@1+ (1,0) [0|0] "" tank\n'
        database = load_databases([write(tmp_path, text)])
        assert database.warnings == ("machine.dbc: the signal A does not fit in message Status",)

    def test_names_of_values_without_a_signal_are_left_out(self, tmp_path: Path) -> None:
        text = HEAD + message_line(0x181) + ' SG_ A : 0|8@1+ (1,0) [0|0] "" tank\n\nVAL_ 385 Gone 0 "OFF" ;\n'
        database = load_databases([write(tmp_path, text)])
        assert [message.name for message in database.messages] == ["Status"]
        assert database.warnings == (
            "machine.dbc: VAL_ entries for signals that it does not define are left out (Gone of message 385)",
        )

    def test_a_message_that_no_frame_can_carry_is_left_out(self, tmp_path: Path) -> None:
        text = HEAD + message_line(0x1810, "Odd") + ' SG_ A : 0|8@1+ (1,0) [0|0] "" tank\n\n' + message_line(0x181)
        database = load_databases([write(tmp_path, text)])
        assert [message.name for message in database.messages] == ["Status"]
        assert "the message Odd is left out" in database.warnings[0]

    def test_the_same_identifier_twice_is_named(self, tmp_path: Path) -> None:
        first = write(tmp_path, HEAD + message_line(0x181, "First"), "a.dbc")
        second = write(tmp_path, HEAD + message_line(0x181, "Second"), "b.dbc")
        database = load_databases([first, second])
        found = database.find(0, 0x181, False)
        assert found is not None
        assert found.name == "First"
        assert database.warnings == (
            "Second of b.dbc and First of a.dbc have the same identifier 0x181; the latter is used",
        )

    def test_many_faults_are_named_in_few_lines(self, tmp_path: Path) -> None:
        signals = "".join(f' SG_ A{at} : 0|8@1+ (1,0) [0|0] "" tank\n' for at in range(9))
        warnings = load_databases([write(tmp_path, HEAD + message_line(0x181) + signals)]).warnings
        assert len(warnings) == 6
        assert warnings[-1] == "machine.dbc: and 31 more like these"

    def test_a_value_that_no_frame_can_say_decides_nothing(self, tmp_path: Path) -> None:
        text = (
            HEAD
            + message_line(0x181)
            + ' SG_ M M : 0|2@1+ (1,0) [0|0] "" tank\n'
            + f' SG_ A m{2**70} : 8|8@1+ (1,0) [0|0] "" tank\n\n'
            + f'VAL_ 385 A {2**70} "not available" ;\n'
        )
        message = load_databases([write(tmp_path, text)]).messages[0]
        assert dict(message.signals[1].named_status) == {}
        block = FrameBlock(
            t_ns=np.zeros(1, np.int64),
            channel=np.zeros(1, np.uint8),
            id=np.full(1, 0x181, np.uint32),
            flags=np.zeros(1, np.uint16),
            length=np.full(1, 8, np.uint8),
            data=np.zeros((1, 8), np.uint8),
        )
        assert decode(message, block, np.arange(1))["A"].status[0] == SignalStatus.ABSENT

    @pytest.mark.parametrize("encoding", ["cp1252", "utf-8", "utf-8-sig", "utf-16"])
    def test_units_read_right_in_any_usual_encoding(self, tmp_path: Path, encoding: str) -> None:
        text = HEAD + message_line(0x181) + ' SG_ A : 0|8@1+ (1,0) [0|0] "°C" tank\n'
        database = load_databases([write(tmp_path, text, encoding=encoding)])
        assert database.messages[0].signals[0].unit == "°C"
        assert database.warnings == ()

    def test_bytes_of_no_encoding_are_told(self, tmp_path: Path) -> None:
        path = tmp_path / "machine.dbc"
        path.write_bytes((HEAD + message_line(0x181)).encode() + b' SG_ A : 0|8@1+ (1,0) [0|0] "\x81\xb0C" tank\n')
        database = load_databases([path])
        assert len(database.messages) == 1
        assert "may read wrongly" in database.warnings[0]


class TestUnusableFiles:
    def error(self, path: Path) -> str:
        with pytest.raises(InputError) as raised:
            load_databases([path])
        return str(raised.value)

    def test_a_broken_line_is_told_with_line_and_column(self, tmp_path: Path) -> None:
        text = HEAD + message_line(0x181) + ' SG_ A : 0|8@1+ (1,0) [0|0] "" tank\n SG_ B : 8|8@1? (1,0) [0|0] "" tank\n'
        said = self.error(write(tmp_path, text))
        assert said.startswith(f"{tmp_path / 'machine.dbc'}, line 9, column ")
        assert "SG_ B : 8|8@1? (1,0)" in said

    def test_a_broken_tag_is_told_with_line_and_column(self, tmp_path: Path) -> None:
        path = write(tmp_path, "<NetworkDefinition>\n  <Bus name='x'>\n  </Bu>\n</NetworkDefinition>\n", "a.kcd")
        assert self.error(path).startswith(f"{path}, line 3, column 5: expected the text of a .kcd database")

    def test_a_missing_file_an_empty_one_and_a_folder_are_told(self, tmp_path: Path) -> None:
        assert "found nothing by this name" in self.error(tmp_path / "gone.dbc")
        assert "found an empty file" in self.error(write(tmp_path, " \n"))
        (tmp_path / "folder.dbc").mkdir()
        assert "found a folder" in self.error(tmp_path / "folder.dbc")

    def test_a_file_of_another_kind_is_told(self, tmp_path: Path) -> None:
        assert "expected a message database (.arxml, .cdd, .dbc, .kcd, .sym)" in self.error(tmp_path / "log.txt")
        path = tmp_path / "picture.dbc"
        path.write_bytes(bytes(np.random.default_rng(1).integers(0, 256, 5000, np.uint8)))
        assert "expected the text of a .dbc database" in self.error(path)

    @pytest.mark.parametrize(
        "line",
        [
            "BO_ 385 Status: 4000000000 pump\n",
            message_line(0x181) + ' SG_ A : 0|4000000000@1+ (1,0) [0|0] "" tank\n',
            message_line(0x181) + ' SG_ A : 4000000000|8@1+ (1,0) [0|0] "" tank\n',
            message_line(0x181)
            + ' SG_ M M : 0|8@1+ (1,0) [0|0] "" tank\n SG_ A m0 : 8|8@1+ (1,0) [0|0] "" tank\n\n'
            + "SG_MUL_VAL_ 385 A M 0-4000000000;\n",
        ],
    )
    def test_sizes_that_would_take_all_memory_are_refused_with_their_line(self, tmp_path: Path, line: str) -> None:
        said = self.error(write(tmp_path, HEAD + line))
        assert ", line " in said
        assert "4000000000" in said

    def test_a_nest_of_multiplexers_that_multiplies_is_refused(self, tmp_path: Path) -> None:
        signals = "".join(f' SG_ M{at} m0M : {8 * at}|8@1+ (1,0) [0|0] "" tank\n' for at in range(4))
        nest = "".join(f"SG_MUL_VAL_ 385 M{at + 1} M{at} 0-255;\n" for at in range(3))
        said = self.error(write(tmp_path, HEAD + message_line(0x181) + signals + "\n" + nest))
        assert "at most 16384 values of the multiplexers of a message" in said

    def test_a_range_of_identifiers_that_takes_all_memory_is_refused(self, tmp_path: Path) -> None:
        text = 'FormatVersion=6.0 // x\nTitle="pump"\n\n{SENDRECEIVE}\n\n[Status]\nID=00000022h-0025500023h\nLen=8\n'
        said = self.error(write(tmp_path, text, "pump.sym"))
        assert "line 7: expected at most 4096 identifiers of one message, found 00000022h-0025500023h" in said

    def test_entities_that_multiply_are_refused(self, tmp_path: Path) -> None:
        entities = "".join(f'<!ENTITY e{at + 1} "{f"&e{at};" * 10}">' for at in range(12))
        text = f'<!DOCTYPE x [<!ENTITY e0 "lol">{entities}]>\n<NetworkDefinition>&e12;</NetworkDefinition>\n'
        assert "without definitions of its own entities" in self.error(write(tmp_path, text, "bomb.kcd"))


class TestMeaning:
    """What raw values of a signal mean, by SAE J1939-71 5.1 or by the database's own names."""

    def signal(self, tmp_path: Path, frame_id: int, rest: str, extra: str = "") -> Signal:
        text = HEAD + message_line(frame_id) + f" SG_ {rest} tank\n\n" + extra
        return load_databases([write(tmp_path, text)]).messages[0].signals[0]

    def status(self, signal: Signal, raw: int) -> SignalStatus:
        return signal.named_status.get(raw, signal.ranges.status(raw))

    def test_a_named_state_wins_over_the_reserved_range(self, tmp_path: Path) -> None:
        names = f'VAL_ {0x98FF2726} Gate 0 "HOLD" 1 "OPEN" 2 "CLOSE" 3 "NOT_AVAILABLE" ;\n'
        gate = self.signal(tmp_path, 0x98FF2726, 'Gate : 2|2@1+ (1,0) [0|3] ""', names)
        assert [self.status(gate, raw) for raw in range(4)] == [
            SignalStatus.VALID,
            SignalStatus.VALID,
            SignalStatus.VALID,
            SignalStatus.NOT_AVAILABLE,
        ]
        assert gate.kind is SignalKind.ENUMERATED

    def test_a_name_that_says_error_leaves_the_error(self, tmp_path: Path) -> None:
        names = f'VAL_ {0x98FF2726} Gate 0 "OPEN" 1 "CLOSED" 2 "ERROR" 3 "NOT_AVAILABLE" ;\n'
        gate = self.signal(tmp_path, 0x98FF2726, 'Gate : 2|2@1+ (1,0) [0|3] ""', names)
        assert self.status(gate, 2) is SignalStatus.ERROR
        assert gate.kind is SignalKind.BOOLEAN

    def test_a_name_that_says_not_available_counts_in_any_database(self, tmp_path: Path) -> None:
        names = 'VAL_ 385 Level 255 "Signal not available" 254 "Error" ;\n'
        level = self.signal(tmp_path, 0x181, 'Level : 0|8@1+ (1,0) [0|255] "%"', names)
        assert self.status(level, 255) is SignalStatus.NOT_AVAILABLE
        assert self.status(level, 254) is SignalStatus.VALID  # an 11-bit database has no reserved range

    def test_a_running_counter_of_a_proprietary_group_uses_its_whole_range(self, tmp_path: Path) -> None:
        counter = self.signal(tmp_path, 0x98FF3131, 'MessageCounter : 0|8@1+ (1,0) [0|0] ""')
        assert self.status(counter, 255) is SignalStatus.VALID
        assert counter.kind is SignalKind.COUNTER

    def test_a_proprietary_parameter_whose_stated_range_has_it_all_uses_it_all(self, tmp_path: Path) -> None:
        assert self.status(self.signal(tmp_path, 0x98FF3131, 'A : 0|8@1+ (1,0) [0|255] ""'), 255) is SignalStatus.VALID
        narrow = self.signal(tmp_path, 0x98FF3131, 'A : 0|8@1+ (1,0) [0|250] ""')
        assert self.status(narrow, 255) is SignalStatus.NOT_AVAILABLE

    def test_a_public_group_keeps_the_standard_whatever_range_is_stated(self, tmp_path: Path) -> None:
        speed = self.signal(tmp_path, 0x8CF00400, 'Speed : 24|16@1+ (0.125,0) [0|8191.875] "rpm"')
        assert self.status(speed, 0xFFFF) is SignalStatus.NOT_AVAILABLE

    def test_a_signed_parameter_keeps_all_ones_as_minus_one(self, tmp_path: Path) -> None:
        signed = self.signal(tmp_path, 0x98FEF131, 'A : 0|16@1- (1,0) [0|0] ""')
        assert self.status(signed, 0xFFFF) is SignalStatus.VALID

    def test_nmea_2000_keeps_only_its_two_highest_numbers(self, tmp_path: Path) -> None:
        # from memory: NMEA 2000 fields, highest number not available, next out of range
        field = self.signal(tmp_path, 0x89F10DFE, 'A : 0|16@1+ (1,0) [0|0] ""')
        assert self.status(field, 0xFFFF) is SignalStatus.NOT_AVAILABLE
        assert self.status(field, 0xFFFE) is SignalStatus.ERROR
        assert self.status(field, 0xFF00) is SignalStatus.VALID


def test_messages_can_be_made_without_a_file() -> None:
    signal = Signal(name="A", start=0, length=8, little_endian=True)
    database = Database([Message(name="M", frame_id=1, extended=False, length=1, signals=(signal,))])
    assert database.find(7, 1, False) is database.messages[0]
    assert database.signal("M.A") == (database.messages[0], signal)


def test_the_example_databases_are_clean() -> None:
    examples = sorted((Path(__file__).parents[2] / "dbc_examples").glob("*.dbc"))
    assert len(examples) >= 2
    for path in examples:
        database = load_databases([path])
        assert database.warnings == ()
        assert len(database) > 5
