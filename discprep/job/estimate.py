"""`estimate`: a size, a file or a manifest over a link."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import attrgetter
from pathlib import Path
from typing import Any, get_args

from discprep.errors import DiscprepError, ManifestError, StorageError, UsageError, raise_all
from discprep.job.logged import logged
from discprep.link.advice import advise, told
from discprep.link.calibrate import Calibration, Measured, calibrate, calibrated, parse_measured
from discprep.link.ends import bridge_rate, machine_rate
from discprep.link.escapes import count_escapes, count_prefixed
from discprep.link.pull import asked_by_number, file_seconds, pulled_seconds
from discprep.link.transfer import Estimate, Scheme, Server, Transfer
from discprep.link.vary import VARY, Point, Question, over
from discprep.manifest import load_manifest
from discprep.model import (
    BridgeSettings,
    Divider,
    LinkSettings,
    Manifest,
    Notice,
    Profile,
    Progress,
    Pulled,
    Seconds,
    Silent,
)
from discprep.report.estimate import Estimated, ItemTime
from discprep.serve.gate import SERVER

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
    cache: Path | None = None


def estimate(asked: Asked, progress: Progress | None = None) -> Estimated:
    """Answers the question.

    Raises:
        UsageError: a flag that makes no sense, or nothing to estimate; all at once
        ManifestError: the manifest is wrong
        StorageError: the file, the cache or the log cannot be read
        ToolError: this computer lacks what reads an item
    """
    manifest = load_manifest(asked.manifest, machine=asked.machine) if asked.manifest else None
    _check_subject(asked)
    question = _question(asked, manifest)
    measurements, torn = _measurements(asked)
    found = _found(asked, manifest, question, measurements, progress or Silent())
    return replace(found, notices=(*found.notices, *torn))


def _found(
    asked: Asked, manifest: Manifest | None, question: Question, measurements: tuple[Measured, ...], progress: Progress
) -> Estimated:
    if manifest and asked.size_bytes is None and asked.file is None:
        return _of_manifest(asked, manifest, question, measurements, progress)
    calibration, notices = _calibration(question, measurements)
    answer = _calibrate(question.estimate, calibration)
    points = _points(asked, question)
    return _estimated(asked, question, answer, notices, measurements, points)


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
    plain = replace(question.transfer, escapes=None, files=1)
    return calibrate(
        measurements, lambda size: replace(question, transfer=replace(plain, size_bytes=size)).estimate.seconds
    )


def _calibrate(answer: Estimate, calibration: Calibration | None) -> Estimate:
    if calibration is None:
        return answer
    size_bytes = answer.rate_bytes_s * answer.seconds.expected
    seconds = calibrated(answer.seconds, calibration)
    return Estimate(seconds, size_bytes / seconds.expected, answer.assumptions)


# ------------------------------------------------------------------------------------------------- a manifest


def _of_manifest(
    asked: Asked, manifest: Manifest, question: Question, measurements: tuple[Measured, ...], progress: Progress
) -> Estimated:
    """Every item that may have to come over the line, and all of them together, as the shelf hands them out."""
    if question.server == "own" and "name_lookup" not in asked.link:
        question = replace(question, link=asked_by_number(question.link))
    from discprep.job.decided import crossing_of  # what opens archives costs a start that most questions do not need

    wanted = [item.id for item in manifest.items if item.place != "burn" and item.id not in manifest.has]
    pulled, held = crossing_of(_over(manifest, question), asked.cache, progress)
    sized = {key: one for key in wanted if (one := pulled.get(key))}
    unknown = tuple(key for key in wanted if key in pulled and pulled[key] is None)
    calibration, notices = _calibration(question, measurements)
    items = tuple(
        ItemTime(key, one.shape, one.files, one.size_bytes, _calibrate(_of(question, [one]), calibration))
        for key, one in sized.items()
    )
    every = tuple(sized.values())
    answer = _calibrate(_of(question, every), calibration)
    points = _points(asked, question, lambda other: _of(other, every).seconds)
    notices = (*notices, *held, *_unknown_notices(unknown))
    found = _estimated(asked, _crossing(question, every), answer, notices, measurements, points)
    return replace(found, items=items, unknown=unknown)


def _over(manifest: Manifest, question: Question) -> Manifest:
    """The manifest with the line that is asked about."""
    profile = question.profile or manifest.profile
    return replace(manifest, link=question.link, bridge=question.bridge, profile=profile)


def _crossing(question: Question, pulled: Sequence[Pulled]) -> Question:
    """The question about so many files; their escapes are counted where it is one."""
    escapes = pulled[0].escapes if len(pulled) == 1 else None
    size_bytes, files = sum(one.size_bytes for one in pulled), sum(one.files for one in pulled)
    transfer = replace(question.transfer, size_bytes=size_bytes, escapes=escapes, files=max(1, files))
    return replace(question, transfer=transfer)


def _of(question: Question, pulled: Sequence[Pulled]) -> Estimate:
    """The range for so many files; the time expected is what plan and shelf tell, file by file, where the shelf is
    asked as usual."""
    answer = _crossing(question, pulled).estimate
    usual = question.server == "own" and question.transfer.scheme == "http" and not question.link.name_lookup
    if question.blocks or not usual or not pulled:
        return answer
    seconds = file_seconds(question.link, question.bridge, question.profile, server=question.server)
    return _expecting(answer, sum(pulled_seconds(one, seconds) for one in pulled))


def _expecting(answer: Estimate, expected_s: float) -> Estimate:
    """The same with another expected time, range and parts in proportion."""
    told = answer.seconds
    factor = expected_s / told.expected
    parts = tuple((name, part_s * factor) for name, part_s in told.parts)
    seconds = Seconds(told.best * factor, expected_s, told.worst * factor, parts)
    return replace(answer, seconds=seconds, rate_bytes_s=answer.rate_bytes_s / factor)


def _unknown_notices(unknown: Sequence[str]) -> tuple[Notice, ...]:
    if not unknown:
        return ()
    return (Notice(
        f"{len(unknown)} item{'s have' if len(unknown) > 1 else ' has'} no known size: {', '.join(unknown)}",
        hint="Fetch first, or declare `size`.",
    ),)  # fmt: skip


# ------------------------------------------------------------------------------------------------- the answer


def _points(
    asked: Asked, question: Question, seconds: Callable[[Question], Seconds] = attrgetter("seconds")
) -> tuple[Point, ...]:
    if not asked.over:
        return ()
    key, _, values = asked.over.partition("=")
    if not values:
        raise UsageError(f"--over takes KEY=V1,V2,…, not {asked.over!r}", hint=f"KEY is one of {', '.join(VARY)}.")
    try:
        tried = [value.strip() for value in values.split(",") if value.strip()]
        return over(question, key.replace("_", "-"), tried, seconds)
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
