"""What the page shows of `busdoc resync` on live buses: who is home, and the button for the moment of switching on."""

import time
from collections.abc import Callable, Iterable, Mapping
from datetime import tzinfo

from busdoc.actions.action import ActionKind
from busdoc.actions.words import order_in_words
from busdoc.analysis.result import USUAL_CAUTIONS
from busdoc.errors import InputError
from busdoc.live.bell import Bell
from busdoc.live.resync.news import NewsKind, ReturnNews, is_home
from busdoc.live.resync.resync_live import ResyncLive
from busdoc.live.resync.stages import Stage
from busdoc.page.hosts.base import Answers, Lately, bus_notes, pressed_ns, time_of_day
from busdoc.page.press import Answer, Press
from busdoc.report.words.returns import followed_headline
from busdoc.resync_check.records import ReturnVerdict
from busdoc.screen.drawing.states import NEWS_SIGNS
from busdoc.screen.drawing.styles import Tone
from busdoc.times import SECOND_NS
from busdoc.words.sentence import capital

__all__ = ["ResyncHost"]

_TONES = {ReturnVerdict.PASS: Tone.GOOD, ReturnVerdict.FAIL: Tone.BAD, ReturnVerdict.NO_LIMIT: Tone.STRONG}


class ResyncHost:
    """A power-up that is counted home, on the page.

    Parameters
    ----------
    live : what runs
    bell : decides what is rung
    zone : of the times of day; None: the laptop's own
    """

    def __init__(
        self,
        live: ResyncLive,
        bell: Bell,
        *,
        zone: tzinfo | None = None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._live, self._zone = live, zone
        self._lately = Lately(bell, clock_s)
        self._answers = Answers()
        self._rows: dict[str, Mapping[str, object]] = {}
        self._latest: ReturnNews | None = None
        self._start_ns = live.source.now_ns()

    def tell(self, news: Iterable[ReturnNews]) -> None:
        """Take what became known, as the lines of the terminal have it."""
        for one in news:
            if one.kind in (NewsKind.POWER, NewsKind.OFF_AGAIN):
                self._rows.clear()
            self._latest = one
            after = "" if one.after_ns is None else f"{one.after_ns / SECOND_NS:.2f} s"
            sign = NEWS_SIGNS.get(one.kind)
            if one.controller is not None and sign is not None:
                self._rows[one.controller] = {
                    "name": one.controller,
                    "mark": sign.mark,
                    "word": sign.word,
                    "tone": str(sign.tone),
                    "since": after,
                    "aside": "" if one.limit_ns is None else f"limit {one.limit_ns / SECOND_NS:.1f} s",
                }
            named = f"{one.controller} " if one.controller is not None else ""
            at, text = after or self._at(one.time_ns), f"{named}{one.text}"
            self._lately.tell(at, text, time_ns=one.time_ns, kind=str(one.kind), rings=[one.kind])

    def hear(self) -> bool:
        """Say whether something is new."""
        return self._lately.tick()

    def sections(self) -> Mapping[str, object]:
        """Give all that is shown."""
        self.hear()
        live, source = self._live, self._live.source
        power_up = live.following.power_up
        verdict, headline = live.following.verdict, ""
        if power_up is None:
            text, tone = (self._latest.text if self._latest is not None else str(live.stage)), Tone.STRONG
        else:
            home = sum(is_home(one) for one in power_up.controllers)
            due = len(power_up.controllers)
            text, tone = f"{home} of {due} in step", Tone.GOOD if home == due else Tone.WARN
            tone = Tone.BAD if verdict is ReturnVerdict.FAIL else tone
            headline = followed_headline(
                power_up,
                live.following.not_back(),
                within_ns=live.following.within_ns(),
                timed_out=live.following.timed_out,
                done=live.done,
            )
        return {
            "head": {"title": live.machine.name or "busdoc", "notes": bus_notes(source)},
            "clock": self._at(source.now_ns()),
            "troubles": [],
            "state": {"text": text, "tone": str(tone), "mark": ""},
            "roll": list(self._rows.values()),
            "step": self._step(),
            "wait": {"left": "", "text": ""},
            "verdict": {"short": "", "tone": str(_TONES[verdict]), "text": headline},
            "asks": [],
            "out": [],
            "done": [],
            "menu": [],
            "cautions": list(dict.fromkeys((*live.machine.cautions, *USUAL_CAUTIONS))),
            "lately": self._lately.latest_first,
            "sounds": self._lately.sounds.kept,
        }

    def press(self, press: Press, server_s: float) -> Answer:
        """Take note of the moment of switching on, once."""
        told = self._answers.given(press)
        if told is not None:
            return told
        if press.what != "power-on":
            return Answer(text="nothing of that name can be pressed; nothing noted", tone=Tone.WARN)
        if self._live.stage not in (Stage.LISTENING, Stage.SILENT):
            return self._answers.keep(press, Answer(text="it is on already; nothing noted", tone=Tone.FAINT))
        by = f"by {press.by}" if press.by else ""
        try:
            at_ns = self._live.press(pressed_ns(self._live.source, press, server_s), by)
        except InputError as error:
            return Answer(text=f"NOT NOTED. {error}", tone=Tone.ALARM)
        at, text = self._at(at_ns), f"power on, {by}" if by else "power on"
        self._lately.tell(at, text, time_ns=at_ns, kind="action", aloud=False)
        kept = "" if self._live.journal is not None else " (in memory alone; --actions FILE keeps it on the disk)"
        return self._answers.keep(press, Answer(text=f"noted {at}: power on{kept}", tone=Tone.GOOD, logged=True))

    def keep_photograph(self, name: str, data: bytes) -> None:
        """Keep none.

        Raises
        ------
        InputError : nothing is kept of a power-up that is counted home
        """
        raise InputError("the photograph", "a session that is kept", "none", "Use busdoc isolate or busdoc record.")

    def _step(self) -> Mapping[str, object]:
        if self._live.stage not in (Stage.LISTENING, Stage.SILENT):
            said = self._latest.text if self._latest is not None else ""
            return {"said": capital(said), "tone": str(Tone.STRONG), "say": ""}
        text = capital(order_in_words(ActionKind.POWER_ON, None))
        press = {"what": "power-on"}
        return {"text": text, "say": "", "which": "", "after": [], "held": "", "cautions": [], "press": press}

    def _at(self, t_ns: int) -> str:
        return time_of_day(t_ns, self._start_ns, self._live.source, self._zone)
