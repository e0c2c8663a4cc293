"""Health -> whose answers come to harm and why: findings `address-collision`, `far-end-errors` and `echo`.

One device among several that don't suffer: what is wrong is at that device, or there are two of it. Which, the harm
itself tells: turned bits here, answers longer than any device gives there.
"""

from sidetap.survey.findings import Finding, Severity
from sidetap.survey.health.damage import Harm
from sidetap.survey.health.exchanges import DeviceHealth
from sidetap.survey.health.result import LineHealth
from sidetap.survey.timeline import Span

_FEWEST = 5
_FEWEST_ELSEWHERE = 50  # tries at the others: of fewer nothing can be compared
_SHARE = 0.003
_TIMES_OTHERS = 20
_FEW_OF = 3  # devices: one in so many may suffer
_MANY, _FEW = 0.25, 0.1
_DOUBLED = 0.9
_FEWEST_DOUBLED = 20


def find(health: LineHealth) -> list[Finding]:
    """Return the findings, the line's first."""
    span = None if health.ends_ns is None else Span(*health.ends_ns)
    echo = _echo(health, span)
    found = [] if echo is None else [echo]
    harms = {harm.device: harm for harm in health.harms}
    asked = [device for device in health.exchanges.devices if device.tries >= _FEWEST]
    well = [device for device in asked if not _suffers(device)]
    most = max(1, len(asked) // _FEW_OF)  # where more suffer, it is the line that does
    for device in asked:
        harm = harms.get(device.device)
        others = [other for other in well if other is not device]
        if harm is None or len(asked) - len(well) > most or sum(o.tries for o in others) < _FEWEST_ELSEWHERE:
            continue
        finding = _two_answers(device, harm, others, harms, span) or _one_suffers(device, harm, others, span)
        if finding is not None:
            found.append(finding)
    return found


def _hurt(device: DeviceHealth) -> int:
    return device.damaged + device.mended_answers


def _share(devices: list[DeviceHealth]) -> float:
    return sum(_hurt(device) for device in devices) / max(sum(device.tries for device in devices), 1)


def _suffers(device: DeviceHealth) -> bool:
    return _hurt(device) >= _FEWEST and device.damaged_share >= _SHARE


def _alone(device: DeviceHealth, well: list[DeviceHealth]) -> bool:
    """Whether a device suffers and those that are well together don't, as far as such numbers tell."""
    if not _suffers(device):
        return False
    return sum(_hurt(other) for other in well) <= 1 or device.damaged_share >= _TIMES_OTHERS * _share(well)


def _two_answers(
    device: DeviceHealth, harm: Harm, others: list[DeviceHealth], harms: dict[int, Harm], span: Span | None
) -> Finding | None:
    over_each_other = (
        _alone(device, others)
        and harm.looked_at >= _FEWEST
        and harm.longer >= _MANY * harm.looked_at
        and harm.turned + device.mended_answers <= _FEW * (harm.looked_at + device.mended_answers)
    )
    doubled_elsewhere = sum(harms[other.device].doubled_answers for other in others if other.device in harms)
    in_turn = (
        harm.doubled_answers >= max(_FEWEST, _FEW * device.tries)
        and doubled_elsewhere * _TIMES_OTHERS <= harm.doubled_answers
    )
    if not over_each_other and not in_turn:
        return None
    evidence = (
        f"{_hurt(device)} of {device.tries} tries of device {device.device} damaged ({device.damaged_share:.1%}), "
        f"{_share(others):.2%} at the others; of {harm.looked_at} damaged answers to reads {harm.longer} are longer "
        f"than any device answers, and a single turned bit explains {harm.turned}"
    )
    if in_turn:
        evidence += f"; {harm.doubled_answers} times a second whole answer came behind the first"
    return Finding(
        "address-collision",
        Severity.FAULT,
        device.device,
        None,
        span,
        f"Two devices answer as {device.device}, over each other.",
        evidence,
        f"Take the device that should be {device.device} off the line (with its owner's consent): if {device.device} "
        "still answers, the other one has its address. Ask what was added or replaced last.",
    )


def _one_suffers(device: DeviceHealth, harm: Harm, others: list[DeviceHealth], span: Span | None) -> Finding | None:
    looked_at = harm.looked_at + device.mended_answers
    turned = harm.turned + device.mended_answers
    if not _alone(device, others) or turned < max(_FEWEST, _MANY * looked_at) or harm.longer > _FEW * looked_at:
        return None
    if device.mended_requests > _FEW * turned:
        return None
    flagged = f"; {device.flagged_bytes} of the {device.answer_bytes} bytes it sent carry a flag"
    return Finding(
        "far-end-errors",
        Severity.WARNING,
        device.device,
        None,
        span,
        f"Bits turn over in the answers of device {device.device} only: "
        "the device, its drop or that end of the line.",
        f"{_hurt(device)} of {device.tries} answers damaged ({device.damaged_share:.2%}), {_share(others):.2%} at "
        f"the others; a single turned bit explains {turned} of {looked_at} damaged reads; its requests are whole"
        + (flagged if device.flagged_bytes else ""),
        f"Look at the terminals, the drop, the supply and the ground of device {device.device}; then swap it with a "
        "neighbour (with its owner's consent) and see whether the errors go with the device or stay with the place.",
    )


def _echo(health: LineHealth, span: Span | None) -> Finding | None:
    read = [harm for harm in health.harms if harm.reads]
    reads, doubled = sum(harm.reads for harm in read), sum(harm.doubled_requests for harm in read)
    if doubled < max(_FEWEST_DOUBLED, _DOUBLED * reads):
        return None
    if any(harm.doubled_requests < _DOUBLED * harm.reads for harm in read if harm.reads >= _FEWEST):
        return None
    by = (
        "sooner than any master asks again"
        if health.ends_ns is not None
        else "by their order; the record has no times"
    )
    return Finding(
        "echo",
        Severity.WARNING,
        None,
        None,
        span,
        "Every request is heard twice: the listener hears an echo, or a converter repeats what it is given.",
        f"{doubled} of {reads} reads, of {len(read)} devices, are there twice, {by}",
        "Look at how the tap is wired: a four-wire line tapped as two, an adapter that hears itself, or a repeater. "
        "Misses and retries of this record count the echo.",
    )
