"""A machine as the text of a map, so that a made-up machine can be handed to the command line like a real one."""

import json

from busdoc.machine.machine import Controller, Machine, Part
from busdoc.times import SECOND_NS

__all__ = ["machine_text"]


def machine_text(machine: Machine) -> str:
    """Write a machine map in TOML: buses, parts, controllers; statuses and code hints where there are any."""
    blocks = [_table("machine", name=machine.name or "made-up machine", cautions=list(machine.cautions) or None)]
    blocks += [
        _table("[bus]", channel=bus.channel, bitrate=bus.bitrate, data_bitrate=bus.data_bitrate)
        for bus in machine.buses
    ]
    blocks += [_part(part) for part in machine.parts.values()]
    blocks += [_controller(controller) for controller in machine.controllers.values()]
    blocks += [
        _table(
            "[code]",
            controller=code.controller,
            spn=code.spn,
            fmi=code.fmi,
            emcy=code.emcy,
            status=code.status,
            points_at=list(code.points_at),
        )
        for code in machine.codes
    ]
    blocks += [
        _table(
            "[status]",
            controller=status.controller,
            signal=status.signal,
            bad=list(status.bad) or list(status.bad_range or ()),
            counter=status.counter,
        )
        for status in machine.statuses
    ]
    return "\n".join(blocks)


def _part(part: Part) -> str:
    into = part.owner
    if part.owner is not None and part.socket is not None:
        into = f"{part.owner}:{part.socket}"
    return _table(
        "[part]",
        name=part.name,
        kind=part.kind.value,
        into=into,
        swaps_with=list(part.swaps_with) or None,
        prior=part.prior,
        signal=part.signal,
        unsafe_live=part.unsafe_live or None,
        safe_live=part.safe_live or None,
        label=part.label,
    )


def _controller(controller: Controller) -> str:
    spec = controller.spec
    expects = ", ".join(
        f'{{ frame = "0x{e.id:0{8 if e.extended else 3}X}", period_s = {e.period_ns / SECOND_NS!r} }}'
        for e in spec.expects
        if e.period_ns is not None
    )
    table = _table(
        "[controller]",
        name=spec.name,
        into=controller.feed,
        on=controller.segment,
        channel=spec.channel,
        address=spec.identity.address,
        node_id=spec.identity.node_id,
        sender=spec.identity.sender,
        latches=spec.latches,
        back_within_s=None if spec.back_within_ns is None else spec.back_within_ns / SECOND_NS,
    )
    return f"{table}expects = [{expects}]\n" if expects else table


def _table(header: str, **values: object) -> str:
    """Write one table without the keys that are None; JSON's texts, numbers and lists are TOML's as well."""
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items() if value is not None]
    return "\n".join([f"[{header}]", *lines]) + "\n"
