"""How a proposed test is put into words: its steps, how long to watch, what it would tell."""

from busdoc.actions.words import order_in_words
from busdoc.isolation.verdict import NextTest
from busdoc.words.duration import round_duration
from busdoc.words.sentence import capital

__all__ = ["next_test_in_words"]


def next_test_in_words(test: NextTest) -> str:
    """Say a test as an instruction, with what it would tell.

    >>> from busdoc.actions.action import ActionKind
    >>> from busdoc.isolation.verdict import Step
    >>> step = Step(action=ActionKind.UNPLUG, part="harness-B")
    >>> test = NextTest(steps=(step,), watch_ns=30_000_000_000, gain_bits=1.0, effort_s=60.0, tells="Which half.")
    >>> next_test_in_words(test)
    'Unplug harness-B; watch 30 s. Which half.'
    """
    steps = ", then ".join(order_in_words(step.action, step.part, step.into) for step in test.steps)
    return f"{capital('; '.join(filter(None, (steps, f'watch {round_duration(test.watch_ns)}'))))}. {test.tells}"
