"""How a symptom is told: what it is, since when it shows, how often it came, and how it goes away."""

from busdoc.symptoms.complaint import controller_asked
from busdoc.symptoms.latching import latching_in_words
from busdoc.symptoms.looks import unseen_since
from busdoc.symptoms.symptom import Symptom, SymptomKind
from busdoc.times import clock
from busdoc.words.counting import counted, times
from busdoc.words.duration import duration
from busdoc.words.sentence import capital

__all__ = [
    "WAITS_FOR_A_LOOK",
    "apart_in_words",
    "asked_in_words",
    "complaint_in_words",
    "observed_in_words",
    "showing_in_words",
    "showings_in_words",
    "symptom_in_words",
]

WAITS_FOR_A_LOOK = "No bus is listened to: write down when the fault shows, and when it is gone."
"""What is said until somebody has looked."""


def symptom_in_words(symptom: Symptom) -> str:
    """Name a symptom in a sentence.

    >>> from busdoc.symptoms.symptom import Symptom
    >>> symptom_in_words(Symptom(kind=SymptomKind.CODE, name="code:hopper:SPN 3509 FMI 4", text="", controller="hopper",
    ...     spans=(), observable=(), latency_ns=0, codes=("SPN 3509 FMI 4",)))
    'SPN 3509 FMI 4 of hopper'
    """
    if symptom.kind is SymptomKind.DROPOUT:
        return f"dropouts of {symptom.controller}"
    if symptom.kind is SymptomKind.SEEN:
        what = symptom.name.partition(":")[2]
        return f'what was seen ("{what}")' if what else "what was seen"
    what = " with ".join(symptom.codes) if symptom.codes else symptom.name
    return f"{what} of {symptom.controller}" if symptom.controller else what


def asked_in_words(expression: str) -> str:
    """Name what was asked for and never showed, from the expression alone.

    >>> asked_in_words("code:hopper:SPN 3509 FMI 4"), asked_in_words("code:hopper"), asked_in_words("seen:red lamp")
    ('SPN 3509 FMI 4 of hopper', 'code of hopper', 'what was seen ("red lamp")')
    >>> asked_in_words("HopperSupply.SensorSupply < 4.6")
    'HopperSupply.SensorSupply < 4.6'
    """
    kind, colon, rest = expression.partition(":")
    if kind not in list(SymptomKind) or not colon or kind == SymptomKind.BUS:
        return expression
    if kind == SymptomKind.SEEN:
        return f'what was seen ("{rest}")'
    controller = controller_asked(expression)
    what = rest.partition(":")[2] if controller is not None and ":" in rest else "" if controller else rest
    return f"{what or kind} of {controller}" if controller else f"{kind} {what}".strip()


def showing_in_words(symptom: Symptom, *, until_ns: int, start_ns: int, epoch: bool) -> str:
    """Say whether it shows, since when, and how often it came."""
    if not symptom.spans:
        return "never showed"
    came = symptom.n_came
    last = symptom.spans[-1]
    at_first = symptom.spans[0].not_yet_ns is None
    if symptom.showing and at_first and came == 0:
        return "was there when it could first be seen, and shows still"
    seen = f"came {times(came)}" if came else "was there at first"
    if at_first and came:
        seen = f"was there at first and {seen} since"
    if symptom.showing:
        since = clock(last.since_ns, start_ns, epoch=epoch)
        return f"{seen}, and shows since {since} ({duration(until_ns - last.since_ns)})"
    return f"{seen}, and {'could not be seen since' if unseen_since(symptom, until_ns) else 'does not show now'}"


def observed_in_words(symptom: Symptom, start_ns: int, until_ns: int) -> str:
    """Say how much of the record it could have been seen in.

    >>> observed_in_words(Symptom(kind=SymptomKind.CODE, name="", text="", controller=None, spans=(),
    ...     observable=((0, 3_000_000_000),), latency_ns=0), 0, 4_000_000_000)
    'could be seen for 3.0 s of 4.0 s'
    """
    seen_ns = sum(min(b, until_ns) - max(a, start_ns) for a, b in symptom.observable if b > start_ns and a < until_ns)
    return f"could be seen for {duration(seen_ns)} of {duration(until_ns - start_ns)}"


def showings_in_words(symptom: Symptom, start_ns: int, *, epoch: bool, most: int) -> list[str]:
    """List when it showed, and how well its edges are known; the last ones where there are many."""
    said = []
    left_out = max(len(symptom.spans) - most, 0)
    if left_out:
        said.append(f"{counted(left_out, 'earlier showing')} not listed")
    for span in symptom.spans[left_out:]:
        since = clock(span.since_ns, start_ns, epoch=epoch)
        if span.not_yet_ns is None:
            text = f"{since}  was there when it could first be seen"
        else:
            within_ns = span.since_ns - span.not_yet_ns
            text = f"{since}  came" + (f" (within the {duration(within_ns)} before)" if within_ns > 0 else "")
        if span.gone_ns is None:
            said.append(f"{text}; still there")
        else:
            said.append(f"{text}; seen last after {duration(span.still_ns - span.since_ns)}")
    return said


def apart_in_words(symptom: Symptom) -> str:
    """Tell of a symptom that comes and goes apart from the complaint, as a sentence."""
    return (
        f"{capital(symptom_in_words(symptom))} came {times(symptom.n_came)} apart from it, so it may have a fault of "
        f'its own: --symptom "{symptom.name}" isolates that.'
    )


def complaint_in_words(symptom: Symptom, *, until_ns: int, start_ns: int, epoch: bool) -> str:
    """Tell the complaint in a sentence, without its full stop."""
    said = f"{symptom_in_words(symptom)} {showing_in_words(symptom, until_ns=until_ns, start_ns=start_ns, epoch=epoch)}"
    goes = latching_in_words(symptom)
    return f"{said}; it {goes}" if goes else said
