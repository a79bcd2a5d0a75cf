"""The adapters that are plugged in, and whether each can be told to keep silent."""

import logging
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from busdoc.capture.bus.address import BusAddress, bitrate_text
from busdoc.capture.bus.link import LinkFacts, LinkWatch, link_facts
from busdoc.capture.bus.silence import LISTEN_ONLY, RATE_ELSEWHERE, commands_to_listen
from busdoc.cli.first_minute.finding import Finding, Standing
from busdoc.errors import BusError, InputError
from busdoc.words.counting import first_few

if TYPE_CHECKING:
    import can

    from busdoc.capture.bus.adapter import OpenAdapter

__all__ = ["found_adapters", "heard_on", "plugged_in"]

_NO_ADAPTER = frozenset({"virtual", "udp_multicast"})
_ANSWER_S = 2.0
_AT_ONCE = 1000
_TURN_S = 0.05


def plugged_in() -> list[tuple[str, str]]:
    """Ask python-can which adapters are there, as (interface, channel); what their drivers warn of is not shown."""
    import can

    log = logging.getLogger("can")
    before, log.level = log.level, logging.CRITICAL
    try:
        known = [name for name in can.interfaces.VALID_INTERFACES if name not in _NO_ADAPTER]
        found = can.detect_available_configs(known, timeout=_ANSWER_S)
    finally:
        log.level = before
    return sorted({(str(one["interface"]), str(one.get("channel", ""))) for one in found})


def found_adapters(
    found: Sequence[tuple[str, str]], facts_of: Callable[[str], LinkFacts] = link_facts
) -> Iterator[Finding]:
    """Say of each adapter how it is named, and whether it keeps silent.

    Parameters
    ----------
    found : (interface, channel), as python-can names them
    facts_of : what the operating system knows of an interface of its own
    """
    ports = [channel for interface, channel in found if interface == "serial"]
    others = [one for one in found if one[0] != "serial"]
    if ports:
        text = f"serial ports, behind which an adapter may be: {first_few(ports)}"
        advice = f"If there is: --bus slcan:{ports[0]}@250000, or with the bit rate that it has."
        yield Finding(about="adapters", standing=Standing.WELL, text=text, advice=advice)
    if not others:
        yield Finding(
            about="adapters",
            standing=Standing.MIND,
            text="none found" + (" beside these" if ports else ""),
            advice="Plug it in and look again; or name it: busdoc ready --bus INTERFACE:CHANNEL.",
        )
    for interface, channel in others:
        name = BusAddress(interface=interface, channel=channel or None).name
        if interface == "socketcan":
            yield _of_the_system(name, channel, facts_of(channel))
        elif interface in LISTEN_ONLY:
            yield Finding(about="adapters", standing=Standing.WELL, text=f"{name}: will be told to listen only")
        else:
            elsewhere = "whether it acknowledges is settled elsewhere" if interface in RATE_ELSEWHERE else _TAKES_PART
            yield Finding(
                about="adapters", standing=Standing.MIND, text=f"{name}: {elsewhere}", advice="Give its bit rate."
            )


_TAKES_PART = "it cannot be told to listen only, and acknowledges frames as any node does"


def _of_the_system(name: str, channel: str, facts: LinkFacts) -> Finding:
    """Say how an interface of the operating system was brought up."""
    watch = LinkWatch(channel)
    trouble = watch.trouble()
    watch.close()
    rate = facts.bitrate or 250_000
    if trouble:
        advice = commands_to_listen(channel, rate) if facts.is_real is not False else f"ip link set {channel} up"
        text, advice = f"{name}: {trouble}", f"As administrator: {advice}"
        return Finding(about="adapters", standing=Standing.WRONG, text=text, advice=advice)
    if facts.is_real is False:
        return Finding(about="adapters", standing=Standing.WELL, text=f"{name}: a bus within this computer")
    at = "" if facts.bitrate is None else f" at {bitrate_text(facts.bitrate)}"
    if facts.listen_only:
        return Finding(about="adapters", standing=Standing.WELL, text=f"{name}: up{at}, listens only")
    return Finding(
        about="adapters",
        standing=Standing.MIND,
        text=f"{name}: up{at}; it takes part in the bus: it acknowledges frames as any node does",
        advice=f"To have it silent, as administrator: {commands_to_listen(channel, rate)}",
    )


def heard_on(
    address: BusAddress, opener: "Callable[[BusAddress], OpenAdapter]", *, turns: int = 40
) -> Iterator[Finding]:
    """Open a bus as a session would, listen for a moment, and say how that went.

    Parameters
    ----------
    opener : opens an adapter
    turns : how many times a twentieth of a second is waited for a frame
    """
    try:
        adapter = opener(address)
    except (BusError, InputError) as error:
        yield Finding(about="bus", standing=Standing.WRONG, text=str(error))
        return
    heard: list[can.Message] = []
    try:
        for _ in range(turns):
            adapter.read(heard, _AT_ONCE, _TURN_S)
            if not heard and adapter.keeps_frames:
                adapter.adapter.recv(_TURN_S)
            if heard:
                break
    except Exception as error:  # whatever a driver raises
        yield Finding(
            about="bus", standing=Standing.WRONG, text=f"{address.name}: it opened and cannot be read: {error}"
        )
        return
    finally:
        adapter.close()
    rate = "" if adapter.bitrate is None else f" at {bitrate_text(adapter.bitrate)}"
    silent = {True: "listens only", False: "takes part in the bus", None: "opened"}[adapter.listen_only]
    standing = Standing.MIND if adapter.listen_only is False else Standing.WELL
    said = "; ".join(adapter.remarks)
    yield Finding(
        about="bus", standing=standing, text=f"{address.name}: {silent}{rate}" + (f"; {said}" if said else "")
    )
    if not heard:
        yield Finding(
            about="bus",
            standing=Standing.MIND,
            text=f"{address.name}: no frame came",
            advice="Right where nothing is plugged in. At the machine: key on? the right plug and bit rate?",
        )
