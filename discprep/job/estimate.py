"""`estimate`: a size, a file or a manifest over a link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, get_args

from discprep.errors import DiscprepError, ManifestError, StorageError, UsageError, raise_all
from discprep.fetch.pins import pins_of
from discprep.job.logged import logged
from discprep.link import count_escapes
from discprep.link.advice import advise, told
from discprep.link.calibrate import Calibration, Measured, calibrate, calibrated, parse_measured
from discprep.link.ends import bridge_rate, machine_rate
from discprep.link.escapes import count_prefixed
from discprep.link.transfer import Estimate, Scheme, Server, Transfer
from discprep.link.vary import VARY, Point, Question, over
from discprep.machine import kind_of, size_of
from discprep.manifest import load_manifest
from discprep.model import BridgeSettings, Divider, Escapes, LinkSettings, Manifest, Notice, Pin, Profile
from discprep.report.estimate import Estimated, ItemTime
from discprep.serve.gate import SERVER
from discprep.shapes import last_shape

DEFAULT_RATE_BIT_S = 115_200
DEFAULT_ROUND_TRIP_S = 0.06
_UNKNOWN = Profile(name="machine")


@dataclass(frozen=True, slots=True)
class Asked:
    """The command line as it was typed. None and empty: not said."""

    manifest: Path | None = None
    machine: Path | None = None
    size_bytes: int | None = None
    file: Path | None = None
    files: int = 1
    scheme: Scheme = "http"
    server: Server | None = None
    settings: Mapping[str, str] = field(default_factory=dict)  # by the keys of `VARY`
    link: Mapping[str, Any] = field(default_factory=dict)  # fields of LinkSettings
    machine_clock: tuple[int | None, str | None] = (None, None)
    bridge_clock: tuple[int | None, str | None] = (None, None)
    over: str = ""
    measured: tuple[str, ...] = ()
    log: Path | None = None


def estimate(asked: Asked) -> Estimated:
    """Answers the question.

    Raises:
        UsageError: a flag that makes no sense, or nothing to estimate; all at once
        ManifestError: the manifest is wrong
        StorageError: the file or the log cannot be read
    """
    manifest = load_manifest(asked.manifest, machine=asked.machine) if asked.manifest else None
    _check_subject(asked)
    question = _question(asked, manifest)
    measurements, torn = _measurements(asked)
    found = _found(asked, manifest, question, measurements)
    return replace(found, notices=(*found.notices, *torn))


def _found(
    asked: Asked, manifest: Manifest | None, question: Question, measurements: tuple[Measured, ...]
) -> Estimated:
    if manifest and asked.size_bytes is None and asked.file is None:
        return _of_manifest(asked, manifest, question, measurements)
    calibration, notices = _calibration(question, measurements)
    answer = _calibrate(question.estimate, calibration)
    return _estimated(asked, question, answer, notices, measurements, _points(asked, question))


# --------------------------------------------------------------------------------------------- the question


def _check_subject(asked: Asked) -> None:
    if asked.size_bytes is not None and asked.file is not None:
        raise UsageError("--size-bytes and --file were both given", hint="Give one of them.")
    if asked.manifest is None and asked.size_bytes is None and asked.file is None:
        raise UsageError("nothing to estimate was given", hint="Give a manifest, or --size-bytes N, or --file F.")


def _question(asked: Asked, manifest: Manifest | None) -> Question:
    link, bridge, profile = _ends_of(asked, manifest)
    server = asked.server or (SERVER if manifest else "other")  # without a manifest, none would know the line
    question = Question(_transfer(asked), link, bridge, profile, server=server)
    faults: list[DiscprepError] = []
    for key, value in asked.settings.items():
        try:
            question = VARY[key](question, value)
        except ValueError as error:
            faults.append(UsageError(f"--{key}: {error}"))
    raise_all(faults)
    named = asked.settings.keys()
    if question.blocks is None and question.link.protocol == "ppp" and manifest is None and "mtu" not in named:
        question = replace(question, link=replace(question.link, mtu_bytes=1500))  # the default MRU, RFC 1661 6.1
    if question.blocks and "turnaround-ms" not in named and named & {"latency-ms", "round-trip-ms"}:
        question = replace(question, link=replace(question.link, turnaround_s=question.link.round_trip_s))
    return question


def _transfer(asked: Asked) -> Transfer:
    size_bytes, escapes, prefixed_bytes = asked.size_bytes or 0, None, None
    if asked.file is not None:
        try:
            size_bytes = asked.file.stat().st_size
            escapes, prefixed_bytes = count_escapes(asked.file), count_prefixed(asked.file)
        except OSError as error:
            raise StorageError(error.strerror or str(error), where=str(asked.file)) from error
    return Transfer(size_bytes, escapes, asked.files, asked.scheme, prefixed_bytes=prefixed_bytes)


def _ends_of(asked: Asked, manifest: Manifest | None) -> tuple[LinkSettings, BridgeSettings | None, Profile | None]:
    if manifest and manifest.link:
        link, bridge = manifest.link, manifest.bridge
    elif manifest and "baud" not in asked.settings and asked.size_bytes is None and asked.file is None:
        raise ManifestError(
            "the manifest has no [link] table, so that the line is not known",
            where=str(manifest.path),
            hint="Add [link] with rate, protocol, mtu and window, or give --baud.",
        )
    else:
        link, bridge = LinkSettings(DEFAULT_RATE_BIT_S, round_trip_s=DEFAULT_ROUND_TRIP_S, name_lookup=False), None
    profile = manifest.profile if manifest else None
    link = replace(link, **asked.link)
    return link, _with_bridge_clock(asked, link, bridge), _with_machine_clock(asked, profile)


def _with_machine_clock(asked: Asked, profile: Profile | None) -> Profile | None:
    clock_hz, divider = asked.machine_clock
    if clock_hz is None and divider is None:
        return profile
    checked = _clock(clock_hz, divider, "--clock-hz", "--divider")
    return replace(profile or _UNKNOWN, serial_clock_hz=checked[0], serial_divider=checked[1])


def _with_bridge_clock(asked: Asked, link: LinkSettings, bridge: BridgeSettings | None) -> BridgeSettings | None:
    clock_hz, divider = asked.bridge_clock
    if clock_hz is None and divider is None:
        return bridge
    checked = _clock(clock_hz, divider, "--bridge-clock-hz", "--bridge-divider")
    return replace(bridge or BridgeSettings(link.rate_bit_s, link.framing), clock_hz=checked[0], divider=checked[1])


def _clock(clock_hz: int | None, divider: str | None, clock_flag: str, divider_flag: str) -> tuple[int, Divider]:
    known = get_args(Divider)
    if clock_hz is None or divider is None:
        raise UsageError(f"{clock_flag} and {divider_flag} belong together, and one is missing")
    if divider not in known:
        raise UsageError(f"{divider_flag}: {divider!r} is not one of {', '.join(known)}")
    return clock_hz, divider  # type: ignore[return-value]


# ----------------------------------------------------------------------------------------- measured downloads


def _measurements(asked: Asked) -> tuple[tuple[Measured, ...], tuple[Notice, ...]]:
    """What was measured, as said and as logged; a remark where lines of the log were passed over."""
    found: list[Measured] = []
    faults: list[DiscprepError] = []
    for text in asked.measured:
        try:
            found.append(parse_measured(text))
        except ValueError as error:
            faults.append(UsageError(f"--measured: {error}"))
    raise_all(faults)
    from_log, torn = logged(asked.log) if asked.log else ((), ())
    return (*found, *from_log), torn


def _calibration(question: Question, measurements: Sequence[Measured]) -> tuple[Calibration | None, tuple[Notice, ...]]:
    if not measurements:
        return None, ()
    return calibrate(measurements, lambda size: _of_size(question, size, None).seconds)


def _calibrate(answer: Estimate, calibration: Calibration | None) -> Estimate:
    if calibration is None:
        return answer
    size_bytes = answer.rate_bytes_s * answer.seconds.expected
    seconds = calibrated(answer.seconds, calibration)
    return Estimate(seconds, size_bytes / seconds.expected, answer.assumptions)


def _of_size(question: Question, size_bytes: int, escapes: Escapes | None, files: int = 1) -> Estimate:
    transfer = replace(question.transfer, size_bytes=size_bytes, escapes=escapes, files=files)
    return replace(question, transfer=transfer).estimate


# ------------------------------------------------------------------------------------------------- a manifest


def _of_manifest(asked: Asked, manifest: Manifest, question: Question, measurements: tuple[Measured, ...]) -> Estimated:
    """Every item that may have to come over the line, and all of them together."""
    wanted = [item for item in manifest.items if item.place != "burn" and item.id not in manifest.has]
    pins = pins_of(wanted, manifest.pins_path)
    sized = [(item, size) for item in wanted if (size := size_of(item, pins.get(item.id))) is not None]
    calibration, notices = _calibration(question, measurements)
    items = tuple(
        ItemTime(item.id, size, _calibrate(_of_size(question, size, _escapes(pins.get(item.id))), calibration))
        for item, size in sized
    )
    whole = replace(
        question,
        transfer=replace(question.transfer, size_bytes=sum(size for _, size in sized), files=max(1, len(sized))),
    )
    answer = _calibrate(whole.estimate, calibration)
    unknown = tuple(item.id for item in wanted if item.id not in {one.id for one in items})
    other = [item.id for item, _ in sized if last_shape(manifest, item, kind_of(item) or "file") != "archive"]
    notices = (*notices, *_unknown_notices(unknown), *_shape_notices(other))
    found = _estimated(asked, whole, answer, notices, measurements, _points(asked, whole))
    return replace(found, items=items, unknown=unknown)


def _escapes(pin: Pin | None) -> Escapes | None:
    return pin.escapes if pin else None


def _unknown_notices(unknown: Sequence[str]) -> tuple[Notice, ...]:
    if not unknown:
        return ()
    return (Notice(
        f"{len(unknown)} item{'s have' if len(unknown) > 1 else ' has'} no known size: {', '.join(unknown)}",
        hint="Fetch first, or declare `size`.",
    ),)  # fmt: skip


def _shape_notices(items: Sequence[str]) -> tuple[Notice, ...]:
    if not items:
        return ()
    return (Notice(
        f"timed by the size as fetched, but `serve` offers them as the machine can use them, often larger: "
        f"{', '.join(items)}",
        hint="`discprep plan` reckons with what is offered.",
    ),)  # fmt: skip


# ------------------------------------------------------------------------------------------------- the answer


def _points(asked: Asked, question: Question) -> tuple[Point, ...]:
    if not asked.over:
        return ()
    key, _, values = asked.over.partition("=")
    if not values:
        raise UsageError(f"--over takes KEY=V1,V2,…, not {asked.over!r}", hint=f"KEY is one of {', '.join(VARY)}.")
    try:
        return over(question, key.replace("_", "-"), [value.strip() for value in values.split(",") if value.strip()])
    except ValueError as error:
        raise UsageError(f"--over: {error}") from error


def _estimated(
    asked: Asked, question: Question, answer: Estimate, notices: tuple[Notice, ...],
    measurements: Sequence[Measured], points: tuple[Point, ...],
) -> Estimated:  # fmt: skip
    link, bridge, profile = question.link, question.bridge, question.profile
    return Estimated(
        question=question,
        answer=answer,
        machine=machine_rate(profile, link.rate_bit_s),
        bridge=bridge_rate(bridge, link.rate_bit_s),
        points=points,
        advice=() if points else advise(question),
        notices=(*(trouble.notice for trouble in told(question)), *notices),
        calibrated_by=len(measurements),
    )


def read_map(text: str | None) -> int | None:
    """The PPP map of escaped control characters from its hexadecimal form.

    Raises:
        UsageError: not up to eight hexadecimal digits
    """
    if text is None:
        return None
    try:
        value = int(text, 16)
    except ValueError:
        value = -1
    if not 0 <= value <= 0xFFFFFFFF:
        raise UsageError(f"--accm: {text!r} is not up to eight hexadecimal digits such as 000a0000 (RFC 1662 7.1)")
    return value
