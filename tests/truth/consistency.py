"""One verdict, one story: what no two sections may say together, each rule a predicate over the document and the texts.

A rule gives what it found wrong, as sentences; nothing where all is well. `breaches` runs them all.
"""

import math
import re
from collections.abc import Callable, Iterator
from typing import Any

from busdoc.health.incident import IncidentKind
from busdoc.isolation.verdict import NAMED_FROM
from tests.truth.told_sessions import ToldSession

__all__ = ["RULES", "breaches"]

Rule = Callable[[ToldSession], Iterator[str]]
_NAMED = 0.95
_SETTLED = ("named", "repaired", "proved")


def breaches(told: ToldSession) -> list[tuple[str, str]]:
    """Give every breach: (name of the rule, what was found)."""
    return [(rule.__name__, found) for rule in RULES for found in rule(told)]


def _suspects(told: ToldSession) -> dict[str, float]:
    return {one["part"]: one["probability"] for one in told.tree.get("suspects", [])}


def _cleared(told: ToldSession) -> set[str]:
    return {one["part"] for one in told.tree.get("suspects", []) if one["cleared"]}


def _tests(told: ToldSession) -> list[dict[str, Any]]:
    tests: list[dict[str, Any]] = told.tree.get("next_tests", [])
    return tests


def _texts(told: ToldSession) -> Iterator[str]:
    yield from (told.text, told.usual, told.brief, told.record)


def a_group_accuses_nobody_beside_the_part(told: ToldSession) -> Iterator[str]:
    """A part that is named, and 'its own plug, its own supply wires, or the controller itself'."""
    if told.tree["conclusion"]["state"] != "unexplained":
        yield from ("own plug" for text in _texts(told) if "its own plug, its own supply" in text)


def the_meter_goes_where_the_posterior_points(told: ToldSession) -> Iterator[str]:
    """The first thing to measure or wiggle is the first suspect; none once a part is named."""
    about = [one for one in told.tree.get("advice", []) if one["kind"] in ("measure", "wiggle")]
    state = told.tree["conclusion"]["state"]
    if state in (*_SETTLED, "healthy"):
        yield from (one["words"] for one in about)
    elif state in ("narrowed", "came-back"):
        conclusion = told.tree["conclusion"]
        first = next(
            (
                one["part"]
                for one in (*conclusion["named"], *conclusion["suspects"])
                if one["part"] not in ("elsewhere", "somebody switched it")
            ),
            None,
        )
        yield from (f"{one['words']} but {first} first" for one in about if one["about"][:1] != [first])


def one_probability_a_part(told: ToldSession) -> Iterator[str]:
    """Whoever names a part with a number takes it from the same posterior."""
    share = _suspects(told)
    conclusion = told.tree["conclusion"]
    for one in (*conclusion["named"], *conclusion["suspects"]):
        if share.get(one["part"]) != one["probability"]:
            yield f"{one['part']}: {one['probability']} and {share.get(one['part'])}"
    for group in told.tree.get("groups", []):
        for cause in group["causes"]:
            if cause["part"] in share and conclusion["state"] != "unexplained":
                yield f"group: {cause['part']} {cause['probability']}"


def one_duration_of_quiet(told: ToldSession) -> Iterator[str]:
    """Next test, clearing and proof wait for the same time."""
    needed_s, left_s = told.tree["conclusion"]["to_prove_s"], told.tree["conclusion"]["left_s"]
    for test in _tests(told):
        expected = left_s if test["proof"] and not test["steps"] else needed_s
        if expected is None or not math.isclose(test["watch_s"], expected, abs_tol=1e-6):
            yield f"watch {test['watch_s']} s, {expected} s needed"
    for rate in told.tree.get("rate", []):
        if needed_s is not None and not math.isclose(rate["needed"]["quiet_to_prove_s"], needed_s, abs_tol=1e-6):
            yield f"rate: {rate['needed']['quiet_to_prove_s']} s, {needed_s} s needed"
    for one in told.tree.get("advice", []):
        if one["kind"] == "watch" and not math.isclose(one["hours"] * 3600.0, needed_s, abs_tol=1e-3):
            yield one["words"]


def no_test_of_what_is_known(told: ToldSession) -> Iterator[str]:
    """Once a part is named, only its proof and the second fault are tested."""
    named = {one["part"] for one in told.tree["conclusion"]["named"]}
    if told.tree["conclusion"]["state"] in _SETTLED:
        for test in _tests(told):
            if not test["proof"] and any(_speaks_of(test["tells"], part) for part in named):
                yield test["tells"]
    if told.tree["conclusion"]["state"] in ("proved", "healthy") and "\nNext: " in told.text:
        yield "a next test though nothing is left to do"


def a_test_tells_two_things(told: ToldSession) -> Iterator[str]:
    """Trouble and quiet do not name the same parts."""
    for test in _tests(told):
        said = re.fullmatch(r"Trouble: (.*) \(.*?\)\. Quiet: (.*) \(.*?\)\.", test["tells"])
        if said and said[1] == said[2] and not said[1].startswith("something off"):
            yield test["tells"]


def no_test_names_what_is_cleared(told: ToldSession) -> Iterator[str]:
    """An outcome never points at a part under 'Cleared'."""
    for test in _tests(told):
        yield from (f"{part}: {test['tells']}" for part in _cleared(told) if _speaks_of(test["tells"], part))


def bursts_are_close_and_trends_are_of_exposed_time(told: ToldSession) -> Iterator[str]:
    """No burst without two that are close, and how close said; no shape of a time in which nothing could have come."""
    for text in _texts(told):
        yield from re.findall(r"come in bursts[^.;]*no two of them|no two of them close", text)


def nothing_to_record_where_the_part_is_known(told: ToldSession) -> Iterator[str]:
    """'Log …, or give a database with more signals' is for where nothing tells."""
    if told.tree["conclusion"]["state"] != "unexplained":
        yield from (
            one["words"]
            for one in told.tree.get("advice", [])
            if one["kind"] == "record" and ("database" in one["words"] or one["words"].startswith("Log"))
        )


def no_action_explains_and_plugged_before(told: ToldSession) -> Iterator[str]:
    """'No recorded action explains them' beside 'was plugged in 1.5 s before'."""
    if "No recorded action explains" in told.tree["headline"]:
        for one in told.tree.get("suspects", []):
            if any("was plugged in" in why for why in one["why"]) and one["probability"] >= 0.1:
                yield f"{one['part']}: {one['why']}"


def a_fault_is_nobodys_doing(told: ToldSession) -> Iterator[str]:
    """The suspect's own falls are not listed as somebody's switching; no decoy is to be provoked."""
    suspected = {one["part"] for one in (*told.tree["conclusion"]["named"], *told.tree["conclusion"]["suspects"])}
    for action in told.tree["actions"]:
        if action["origin"] != "journal" and action["part"] in suspected:
            yield f"looks like {action['action']} {action['part']}"
    for one in told.tree.get("antecedents", []):
        if one["source"] == "journal" and not one["name"].startswith(("mark", "seen", "gone")):
            yield one["name"]


def silences_of_the_bus_are_counted(told: ToldSession) -> Iterator[str]:
    """A controller that was silent with its bus is not just steady."""
    silent = {name for one in told.tree["incidents"] if one["kind"] == "bus-silence" for name in one["controllers"]}
    unexplained = {
        name
        for one in told.tree["incidents"]
        if one["kind"] == "bus-silence" and not one["expected"]
        for name in one["controllers"]
    }
    for line in told.text.splitlines():
        words = line.split()
        if len(words) > 2 and words[0] in silent & unexplained and line.endswith(" steady"):
            yield line


def what_is_cleared_is_not_accused(told: ToldSession) -> Iterator[str]:
    """No part stands under 'Cleared' and under suspicion."""
    conclusion = told.tree["conclusion"]
    accused = {one["part"] for one in (*conclusion["named"], *conclusion["suspects"])}
    yield from sorted(accused & _cleared(told))
    for group in told.tree.get("groups", []):
        if "the controller itself" in group["words"] and set(group["controllers"]) & _cleared(told):
            yield group["words"]


def numbers_add_up(told: ToldSession) -> Iterator[str]:
    """Incident numbers run from 1 without holes; how many answer to an action is said as it is."""
    for text in (told.text, told.usual):
        part = text.partition("\nWhat happened\n")[2].partition("\n\n")[0]
        numbers = [int(n) for n in re.findall(r"^ {1,4}(\d+)\. \+", part, re.MULTILINE)]
        if numbers != list(range(1, len(numbers) + 1)):
            yield f"numbers {numbers}"
    if told.tree["complaint"] is not None:
        return
    answered = [told.result.because[n].action is not None for n in told.result.trouble.incidents]
    said = re.search(r"(One|\d+) of them answers? to", told.tree["headline"])
    if said and (int(said[1].replace("One", "1")) != sum(answered) or all(answered)):
        yield f"{said[0]}, and {sum(answered)} of {len(answered)} do"
    if re.search("(It answers|They answer) to", told.tree["headline"]) and not all(answered):
        yield f"all answer, and {sum(answered)} of {len(answered)} do"


def what_was_switched_off_did_not_fall(told: ToldSession) -> Iterator[str]:
    """A controller that went only with what was done to the machine has not fallen."""
    by_itself = {name for one in told.tree["incidents"] if not one["expected"] for name in one["controllers"]}
    for line in told.text.splitlines():
        words = line.split()
        known = len(words) > 2 and words[0] in told.session.machine.controllers
        if known and ", fell " in line and words[0] not in by_itself:
            yield line


def out_is_not_replaced(told: ToldSession) -> Iterator[str]:
    """'With it out, 9 min quiet' of a part that was replaced before nine minutes were over."""
    replaced_s = {
        one["part"]: one["time_s"] - told.tree["capture"]["start_s"]
        for one in told.tree["actions"]
        if one["action"] == "replace"
    }
    for one in told.tree.get("suspects", []):
        for why in one["why"]:
            said = re.fullmatch(r"with it out, (.*) quiet", why)
            if said and _seconds(said[1]) > replaced_s.get(one["part"], math.inf) + 1.0:
                yield f"{one['part']}: {why}, replaced after {replaced_s[one['part']]:.0f} s"


def the_wait_is_said_and_not_repeated(told: ToldSession) -> Iterator[str]:
    """One length of time stands three times at most in what is to be done next: watch, proof, reason."""
    step = re.search(r"^Next: (.*?)\n(?:\n|  !)", told.brief, re.MULTILINE | re.DOTALL)
    needed = re.search(r"watch (.*?)\.", " ".join(step[1].split())) if step else None
    if step and needed:
        whole = rf"(?<!\d)(?<!h ){re.escape(needed[1])}(?! \d)"  # "3 min" does not stand in "3 min 34 s"
        n = len(re.findall(whole, " ".join(step[1].split())))
        if n > 3:
            yield f"{needed[1]}, {n} times"


def _seconds(text: str) -> float:
    """Read a length of time as it is written: '9 min 29 s', '1 h 2 min', '500 ms'."""
    units = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "days": 86400.0, "day": 86400.0}
    return sum(float(number) * units[unit] for number, unit in re.findall(r"([\d.]+) ([a-z]+)", text))


def probabilities_are_probabilities(told: ToldSession) -> Iterator[str]:
    """From 0 to 1, and never NaN."""
    for part, p in _suspects(told).items():
        if not 0.0 <= p <= 1.0:
            yield f"{part}: {p}"
    for one in told.tree["incidents"]:
        for p in (one["spontaneous"], one["because"] and one["because"]["probability"]):
            if p is not None and not 0.0 <= p <= 1.0:
                yield f"incident {one['n']}: {p}"


def sentences_name_something(told: ToldSession) -> Iterator[str]:
    """No empty reason, no plural of one."""
    for text in _texts(told):
        yield from re.findall(r"\b1 (?:signals|kinds of|times|dropouts|showings|incidents)\b", text)
        yield from re.findall("no dropout that an action does not explain|once, restarted each time", text)
        yield from re.findall(r"supplies \S+, which did not fall together", text)


def the_short_page_comes_first_and_is_short(told: ToldSession) -> Iterator[str]:
    """At most 25 lines, and the other texts begin with them."""
    lines = told.brief.rstrip("\n")
    if len(lines.splitlines()) > 25:
        yield f"{len(lines.splitlines())} lines"
    yield from ("another beginning" for text in (told.text, told.usual) if not text.startswith(lines))


def a_state_says_what_belongs_to_it(told: ToldSession) -> Iterator[str]:
    """A part is named from 95 % on, under proof nobody is accused, and the texts say so."""
    conclusion = told.tree["conclusion"]
    state = conclusion["state"]
    if state == "named" and not all(one["probability"] >= _NAMED for one in conclusion["named"]):
        yield "named below 95 %"
    if state in ("repaired", "proved") and conclusion["suspects"]:
        yield "somebody is accused under proof"
    accusing = ("Part at fault", "Suspects:")
    if state in ("healthy", "not-judged", "unexplained", "repaired", "proved"):
        yield from (f"{words} in state {state}" for words in accusing for text in _texts(told) if words in text)
    if (state in ("healthy", "not-judged")) == bool(told.result.trouble):
        yield f"{state}, and trouble {bool(told.result.trouble)}"


def the_order_of_the_suspects_is_one(told: ToldSession) -> Iterator[str]:
    """No section lists parts in another order than the posterior."""
    share = _suspects(told)
    conclusion = told.tree["conclusion"]
    for listed in (conclusion["named"], conclusion["suspects"], told.tree.get("suspects", [])):
        numbers = [share[one["part"]] for one in listed]
        if numbers != sorted(numbers, reverse=True):
            yield str(listed)


def another_clock_accuses_nobody_wrongly(told: ToldSession) -> Iterator[str]:
    """A journal of another clock names no sound part; what somebody replaced is under proof, and told as unsure."""
    if told.twist.value.startswith("clock"):
        under_proof = told.tree["conclusion"]["state"] == "repaired"
        for one in told.tree["conclusion"]["named"]:
            by_hand = under_proof and one["probability"] < NAMED_FROM
            if one["part"] not in told.session.faulty and not by_hand:
                yield f"{one['part']} named, {told.session.faulty} at fault"


def who_came_back_too_late_is_not_called_healthy(told: ToldSession) -> Iterator[str]:
    """A return beyond its limit, and a machine in which all was in step."""
    if told.tree["conclusion"]["state"] != "healthy":
        return
    for number, power_up in enumerate(told.tree["resync"], start=1):
        faults = {*power_up["faults"], *(fault for one in power_up["controllers"] for fault in one["faults"])}
        if power_up["found_by"] != "opening" and faults & {"slow", "late stream", "all late"}:
            yield f"power-up {number} failed its limit"


def a_warning_is_said_once(told: ToldSession) -> Iterator[str]:
    """What is wrong with the journal's clock stands in one place of each text."""
    words = told.result.clock.words
    if words is not None:
        tail = " ".join(words.split()[-6:])  # a line that is cut ends before it
        for text in _texts(told):
            n = " ".join(text.split()).count(tail)
            if n > 1:
                yield f"{n} times: {tail}"


def falls_are_counted_alike(told: ToldSession) -> Iterator[str]:
    """'Falls alone 4 times' and 'fell 16x': restarts over and over are one incident, and each is a fall."""
    if told.result.complaint is not None or told.result.intermittent is None:
        return
    fallen = [max(1, len(one.losses) // max(len(one.controllers), 1)) for one in told.result.incidents]
    again = [one.kind is IncidentKind.RESTARTING for one in told.result.incidents]
    for group in told.tree.get("groups", []):
        n = sum(fallen[k - 1] if again[k - 1] else 1 for k in group["incidents"])
        if group["dropouts"] != n:
            yield f"{group['words']} of {n}"
    for rate in told.tree.get("rate", [])[:1]:
        n = sum(fallen[k] if again[k] else 1 for k in told.result.intermittent.dropouts)
        if rate["dropouts"] != n:
            yield f"{rate['dropouts']} dropouts, {n} falls"


def the_first_suspect_has_a_reason(told: ToldSession) -> Iterator[str]:
    """Who is named or suspected first is not so without a word why."""
    conclusion = told.tree["conclusion"]
    why = {one["part"]: one["why"] for one in told.tree.get("suspects", [])}
    first = next(iter((*conclusion["named"], *conclusion["suspects"])), None)
    if first is not None and not why.get(first["part"], ["switched"]):
        yield f"{first['part']}, {first['probability']:.0%}"


def trouble_and_quiet_begin_with_different_parts(told: ToldSession) -> Iterator[str]:
    """A test that names the same part first whatever comes of it tells nothing of that part."""
    for test in _tests(told):
        said = re.fullmatch(r"Trouble: it is (.*?) \(.*?\)\. Quiet: it is (.*?) \(.*?\)\.", test["tells"])
        if said and said[1].split(" or ")[0] == said[2].split(" or ")[0]:
            yield test["tells"]


def _speaks_of(text: str, part: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(part)}(?![\w-])", text) is not None


RULES: tuple[Rule, ...] = (
    a_group_accuses_nobody_beside_the_part,
    the_meter_goes_where_the_posterior_points,
    one_probability_a_part,
    one_duration_of_quiet,
    no_test_of_what_is_known,
    a_test_tells_two_things,
    no_test_names_what_is_cleared,
    bursts_are_close_and_trends_are_of_exposed_time,
    nothing_to_record_where_the_part_is_known,
    no_action_explains_and_plugged_before,
    a_fault_is_nobodys_doing,
    silences_of_the_bus_are_counted,
    what_is_cleared_is_not_accused,
    numbers_add_up,
    what_was_switched_off_did_not_fall,
    out_is_not_replaced,
    the_wait_is_said_and_not_repeated,
    probabilities_are_probabilities,
    sentences_name_something,
    the_short_page_comes_first_and_is_short,
    a_state_says_what_belongs_to_it,
    the_order_of_the_suspects_is_one,
    another_clock_accuses_nobody_wrongly,
    who_came_back_too_late_is_not_called_healthy,
    a_warning_is_said_once,
    falls_are_counted_alike,
    the_first_suspect_has_a_reason,
    trouble_and_quiet_begin_with_different_parts,
)
