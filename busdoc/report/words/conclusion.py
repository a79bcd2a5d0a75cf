"""The one conclusion in words: the sentences that every rendering shows, and what the short page says of it."""

from dataclasses import replace

from busdoc.isolation.conclusion import Conclusion, State
from busdoc.isolation.verdict import ELSEWHERE, NAMED_FROM
from busdoc.report.words.suspects import parts_at_fault, suspects_in_words
from busdoc.words.counting import listed, plural
from busdoc.words.duration import round_duration
from busdoc.words.probability import odds
from busdoc.words.sentence import capital

__all__ = ["conclusion_in_words", "proof_in_words", "state_in_words"]

_STATES = {
    State.HEALTHY: "healthy",
    State.UNEXPLAINED: "trouble; nothing tells yet which part",
    State.NARROWED: "narrowed down",
    State.NAMED: "part named",
    State.REPAIRED: "repaired, being proved",
    State.PROVED: "repair proved",
    State.CAME_BACK: "came back after the repair",
    State.NOT_JUDGED: "too little to tell",
}


def state_in_words(state: State) -> str:
    """Name where the search stands, in a few words.

    >>> state_in_words(State.REPAIRED)
    'repaired, being proved'
    """
    return _STATES[state]


def conclusion_in_words(conclusion: Conclusion, *, mapped: bool = True) -> tuple[str, ...]:
    """Say in sentences which part it is, or how far that is known, or how far its repair is proved.

    Parameters
    ----------
    mapped : the map has parts; without them something off it is named by what it may be

    >>> from busdoc.isolation.verdict import Suspect
    >>> one = Suspect(part="gate-angle", probability=0.97, cleared=False, why=())
    >>> conclusion_in_words(Conclusion(state=State.NAMED, named=(one,)))
    ('Part at fault: gate-angle (97 %).',)
    """
    match conclusion.state:
        case State.HEALTHY | State.NOT_JUDGED:
            return ()
        case State.UNEXPLAINED:
            return ("Nothing tells yet which part it is.",)
        case State.REPAIRED | State.PROVED:
            return _under_proof(conclusion)
        case State.CAME_BACK:
            (repair,) = conclusion.repairs
            rest = tuple(one for one in conclusion.named if one.part != repair.part)
            return (_came_back(conclusion), *_parts(replace(conclusion, named=rest), mapped))
    return _parts(conclusion, mapped)


def proof_in_words(conclusion: Conclusion) -> str | None:
    """Say how long to wait for this fault, and why; None where there is nothing to wait for.

    The one duration: a next test, a part that is cleared and a repair that is proved all wait for it.
    """
    if conclusion.quiet is None or conclusion.state in (State.HEALTHY, State.PROVED):
        return None
    return f"Why so long: {conclusion.quiet.why}."


def _parts(conclusion: Conclusion, mapped: bool) -> tuple[str, ...]:
    named, others = conclusion.named, conclusion.suspects
    if not named:
        first = others[0] if others else None
        if first is not None and first.part == ELSEWHERE and first.probability >= NAMED_FROM and mapped:
            return (f"No part on the map explains it (elsewhere, {odds(first.probability)}).",)
        return (f"Suspects: {suspects_in_words(others)}.",) if others else ()
    return (parts_at_fault(named, others),)


def _under_proof(conclusion: Conclusion) -> tuple[str, ...]:
    what = listed([one.part for one in conclusion.repairs])
    done = f"{what} {plural(len(conclusion.repairs), 'was', 'were')} replaced"
    quiet, needed = round_duration(conclusion.quiet_ns or 0), round_duration(conclusion.to_prove_ns or 0)
    if conclusion.state is State.PROVED:
        return (f"Repair proved: {done}, and quiet for {quiet} since ({needed} prove it with 95 %).",)
    if not conclusion.left_ns:
        return (f"{capital(done)}, and quiet for {quiet} since; another part may be at fault beside.",)
    left = round_duration(conclusion.left_ns)
    proof = f"{capital(done)}, and is under proof: quiet for {quiet} of {needed} so far, {left} to go (95 %)."
    unsure = [one for one in conclusion.named if one.probability < NAMED_FROM]
    if not unsure:
        return (proof,)
    # Whoever fitted it had decided; the record alone did not.
    given = listed([f"{odds(one.probability)} for {one.part}" for one in unsure])
    return (proof, f"Until then the record alone does not name it: {given}.")


def _came_back(conclusion: Conclusion) -> str:
    (repair,) = conclusion.repairs
    after = round_duration((repair.came_back_ns or repair.at_ns) - repair.at_ns)
    was_it = [odds(one.probability) for one in conclusion.named if one.part == repair.part]
    but = f"it was that ({was_it[0]}), and not only that" if was_it else "it was not that, or not only that"
    return f"It came back {after} after {repair.part} was replaced: {but}."
