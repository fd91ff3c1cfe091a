"""The encoder's study, told as a table of the document and in words; writes the map."""

from __future__ import annotations

import argparse
import calendar
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal

from bench import encoder_captures, encoder_map, encoder_study, plots
from bench.encoder_map import Certificate, EncoderMap, Harmonic
from bench.encoder_study import EncoderStudy
from bench.errors import UsageError
from bench.files import printable
from bench.result import NoteRow, Number
from bench.study_files import Source, load_encoder, load_encoder_reference
from tui import places
from tui.qualify_document import Model, SourceRow, StudyDocument, Told

DEFAULT_NAME = "encoder_map.json"
OWN_INDEX = "the encoder's only index"
_FOR_MAP = ("out", "encoder", "index", "board_id", "counts_per_turn", "unseen", "unseen_source")
VOID = (
    "The map holds for this encoder on this board, held and coupled as it was. Whoever takes the torque arm off, opens the encoder or puts "
    "another on makes it void: delete its file, or make a new one. The program cannot see that."
)


@dataclass(frozen=True, slots=True)
class _Read:
    """A study, and what else is known of its readings."""

    study: EncoderStudy
    sources: tuple[Source, ...]
    certificate: Certificate | None
    board_id: str | None
    counts_per_turn: int | None
    simulated: bool


def tell(options: argparse.Namespace) -> Told:
    """The study of the readings that were named; writes the map at the end. Raises BenchError."""
    _check(options)
    read = _read(options)
    found = _map(options, read)
    path = Path(options.out) if options.out else places.home() / DEFAULT_NAME
    kind: Literal["characterization", "calibration"] = "characterization" if read.certificate is None else "calibration"
    document = EncoderDocument(
        study="encoder",
        valid=True,
        source=SourceRow.of(read.sources[0]) if len(read.sources) == 1 else None,
        captures=tuple(SourceRow.of(s) for s in read.sources) if len(read.sources) > 1 else (),
        encoder=_table(read.study, kind),
        map=None if found is None else MapRow(file=str(path), document=encoder_map.dump(found)),
        notes=tuple(_notes(read)),
        conclusion=tuple(_conclusion(read, found, path)),
    )
    return Told(
        document,
        _text(read.study, kind),
        lambda: plots.encoder_svg(read.study),
        read.sources,
        (lambda: None) if found is None else (lambda: encoder_map.write(found, path)),
    )


# --- the command line's wishes ---------------------------------------------------------------------------------------


def _check(options: argparse.Namespace) -> None:
    """That the options go together; told before any work is done."""
    ways = [bool(options.captures), options.readings is not None, options.reference_readings is not None]
    if sum(ways) != 1:
        raise UsageError(
            "Name the captures of all clampings, or --readings, or --reference-readings: one of the three."
        )
    if len(options.captures) == 1:
        raise UsageError("One capture shows nothing of the encoder: name one for each clamping.")
    referred = (options.certificate is not None, options.reference_uncertainty is not None)
    if (any(referred) and options.reference_readings is None) or (
        options.reference_readings is not None and not all(referred)
    ):
        raise UsageError("--reference-readings, --certificate and --reference-uncertainty belong together.")
    if options.captures and (options.board_id is not None or options.counts_per_turn is not None):
        raise UsageError("--board-id and --counts-per-turn are known from the captures; leave them out.")
    if options.due is not None and options.months is not None:
        raise UsageError("Give --due or --months, not both.")
    if options.due is None and options.months is None:
        for name in _FOR_MAP:
            if getattr(options, name) is not None:
                raise UsageError(
                    f"--{name.replace('_', '-')} is for a map, and none is written without --due or --months."
                )
        return
    for name in ("encoder", "unseen", "unseen_source", *(() if options.captures else ("board_id", "counts_per_turn"))):
        if getattr(options, name) is None:
            raise UsageError(f"A map needs --{name.replace('_', '-')}.")
    for name in ("encoder", "index", "unseen_source", "certificate"):
        text = getattr(options, name)
        if text is not None and (not 1 <= len(text) <= 200 or printable(text) != text):
            raise UsageError(f"--{name.replace('_', '-')} takes 1 to 200 characters without line breaks.")
    if options.board_id is not None and not re.fullmatch("[0-9a-f]{16}", options.board_id):
        raise UsageError("--board-id takes 16 digits 0 to 9, a to f.")
    path = Path(options.out) if options.out else places.home() / DEFAULT_NAME
    if path.exists():
        raise UsageError(
            f"{printable(str(path))} exists already, and a map is never overwritten; name another file with --out."
        )
    _due(options)


def _today() -> date:
    return date.fromisoformat(places.now()[:10])


def _due(options: argparse.Namespace) -> date:
    today = _today()
    if options.months is not None:
        months = today.month - 1 + options.months
        year, month = today.year + months // 12, months % 12 + 1
        return date(year, month, min(today.day, calendar.monthrange(year, month)[1]))
    try:
        due = date.fromisoformat(options.due)
    except ValueError:
        raise UsageError(f"--due takes a day as YYYY-MM-DD, not {printable(options.due)[:40]!r}.") from None
    if due < today:
        raise UsageError(f"--due {due} is past; nothing could be measured with such a map.")
    return due


def _read(options: argparse.Namespace) -> _Read:
    board, counts = options.board_id, options.counts_per_turn
    if options.reference_readings is not None:
        pairs, source = load_encoder_reference(Path(options.reference_readings))
        certificate = Certificate(options.certificate, options.reference_uncertainty)
        return _Read(encoder_study.calibrate(pairs, options.harmonics), (source,), certificate, board, counts, False)
    if options.readings is not None:
        readings, source = load_encoder(Path(options.readings))
        return _Read(encoder_study.characterize(readings, options.harmonics), (source,), None, board, counts, False)
    taken = encoder_captures.load([Path(name) for name in options.captures])
    study = encoder_study.characterize(taken.readings, options.harmonics)
    return _Read(study, taken.sources, None, taken.board_id, taken.counts_per_turn, taken.simulated)


def _map(options: argparse.Namespace, read: _Read) -> EncoderMap | None:
    if (options.due is None and options.months is None) or read.board_id is None or read.counts_per_turn is None:
        return None
    study = read.study
    return EncoderMap(
        kind="characterization" if read.certificate is None else "calibration",
        made_on=_today(),
        due_on=_due(options),
        encoder=options.encoder,
        board_id=read.board_id,
        counts_per_turn=read.counts_per_turn,
        index=options.index or OWN_INDEX,
        positions=max(1, len(study.positions)),
        features=len({cell.feature for cell in study.cells}),
        harmonics=study.harmonics,
        covariance_deg2=tuple(tuple(float(v) for v in row) for row in study.covariance_deg2),
        freedom=study.freedom,
        left_deg=study.left_deg,
        left_freedom=study.left_freedom,
        not_seen=study.not_seen,
        unseen_deg=options.unseen,
        unseen_source=options.unseen_source,
        certificate=read.certificate,
    )


# --- the document ----------------------------------------------------------------------------------------------------


class HarmonicRow(Model):
    """One order of the map; the phase is the first crest's place from the index."""

    order: int
    amplitude_deg: Number
    phase_deg: Number
    cos_deg: Number
    sin_deg: Number
    standard_uncertainty_deg: Number


class PositionRow(Model):
    """A clamping, and how far round it had the encoder past the first."""

    name: str
    angle_deg: Number


class IntervalRow(Model):
    """From one feature to the next, averaged over the clampings."""

    first: str
    second: str
    angle_deg: Number
    standard_uncertainty_deg: Number


class ClosureRow(Model):
    """A sector of the disc that every interval was read on: what the sum exceeds 360° by, and the sector's error by it and by the map."""

    from_deg: Number
    to_deg: Number
    excess_deg: Number
    sector_error_deg: Number
    sector_standard_uncertainty_deg: Number
    sector_error_by_map_deg: Number
    interval_standard_uncertainty_deg: Number


class EncoderTable(Model):
    """The encoder's study. Degrees of freedom beside the standard deviation that they belong to."""

    kind: Literal["characterization", "calibration"]
    readings: int
    places: int
    positions: tuple[PositionRow, ...]
    harmonics: tuple[HarmonicRow, ...]
    not_seen: tuple[int, ...]
    intervals: tuple[IntervalRow, ...]
    closures: tuple[ClosureRow, ...]
    residual_standard_deviation_deg: Number
    residual_degrees_of_freedom: int
    repeat_standard_deviation_deg: Number
    repeat_degrees_of_freedom: int
    left_deg: Number
    left_degrees_of_freedom: Number


class MapRow(Model):
    """The map that was written."""

    file: str
    document: dict[str, Any]


class EncoderDocument(StudyDocument):
    """The whole document."""

    encoder: EncoderTable
    captures: tuple[SourceRow, ...]
    map: MapRow | None


def _table(study: EncoderStudy, kind: Literal["characterization", "calibration"]) -> EncoderTable:
    return EncoderTable(
        kind=kind,
        readings=study.readings,
        places=len(study.cells),
        positions=tuple(PositionRow.model_validate(p) for p in study.positions),
        harmonics=tuple(
            HarmonicRow(
                order=h.order,
                amplitude_deg=h.amplitude_deg,
                phase_deg=h.phase_deg,
                cos_deg=h.cos_deg,
                sin_deg=h.sin_deg,
                standard_uncertainty_deg=study.u_harmonic_deg(at),
            )
            for at, h in enumerate(study.harmonics)
        ),
        not_seen=study.not_seen,
        intervals=tuple(
            IntervalRow(first=i.first, second=i.second, angle_deg=i.angle_deg, standard_uncertainty_deg=i.u_deg)
            for i in study.intervals
        ),
        closures=tuple(
            ClosureRow(
                from_deg=c.from_deg,
                to_deg=c.to_deg,
                excess_deg=c.excess_deg,
                sector_error_deg=c.sector_error_deg,
                sector_standard_uncertainty_deg=c.sector_u_deg,
                sector_error_by_map_deg=c.mapped_deg,
                interval_standard_uncertainty_deg=c.interval_u_deg,
            )
            for c in study.closures
        ),
        residual_standard_deviation_deg=study.residual_sd_deg,
        residual_degrees_of_freedom=study.residual_freedom,
        repeat_standard_deviation_deg=study.reading_sd_deg,
        repeat_degrees_of_freedom=study.reading_freedom,
        left_deg=study.left_deg,
        left_degrees_of_freedom=study.left_freedom,
    )


# --- in words --------------------------------------------------------------------------------------------------------


def _text(study: EncoderStudy, kind: str) -> list[str]:
    how = (
        f"{len(study.positions)} clampings, {len(study.features)} features, {study.readings} readings"
        if study.positions
        else f"{len(study.cells)} angles of the reference, {study.readings} readings"
    )
    lines = [f"Encoder: {how}; a {kind}", ""]
    lines.append(f"  {'harmonic':<12}{'amplitude':>12}{'std. uncertainty':>18}{'crest at':>12}")
    lines += [_harmonic_line(study, at, h) for at, h in enumerate(study.harmonics)]
    lines.append(f"  not seen, of those looked at: {_orders(study.not_seen) or 'none'}")
    if study.positions:
        turned = ", ".join(f"{p.name}: {p.angle_deg:.2f}°" for p in study.positions)
        lines += ["", f"  clampings, past the first: {turned}"]
    lines += _interval_lines(study)
    lines += [
        "",
        f"  residual of a mean reading {study.residual_sd_deg:.4f}° ({study.residual_freedom} degrees of freedom)",
    ]
    if study.reading_sd_deg is not None:
        lines.append(
            f"  repeats of one reading     {study.reading_sd_deg:.4f}° ({study.reading_freedom} degrees of freedom)"
        )
    lines.append(f"  left over at one place     {study.left_deg:.4f}° ({study.left_freedom:.0f} degrees of freedom)")
    return lines


def _harmonic_line(study: EncoderStudy, at: int, harmonic: Harmonic) -> str:
    name = f"{harmonic.order}"
    u = study.u_harmonic_deg(at)
    return f"  {name:<12}{harmonic.amplitude_deg:>11.4f}°{u:>17.4f}°{harmonic.phase_deg:>11.1f}°"


def _interval_lines(study: EncoderStudy) -> list[str]:
    if not study.intervals:
        return []
    wide = max(len(f"{i.first} to {i.second}") for i in study.intervals)
    lines = ["", f"  {'interval':<{wide}}{'mean':>13}{'std. uncertainty':>18}"]
    lines += [f"  {f'{i.first} to {i.second}':<{wide}}{i.angle_deg:>12.4f}°{i.u_deg:>17.4f}°" for i in study.intervals]
    total = math.fsum(i.angle_deg for i in study.intervals)
    lines.append(f"  {'closure: sum':<{wide}}{total:>12.4f}°   (by construction: both circles are counted round)")
    if not study.closures:
        lines.append(
            "  no sector of the disc met every interval, so that none closes by itself (as many even clampings as even features do)"
        )
        return lines
    lines += [
        "",
        f"  {'sector of the disc':<22}{'sum less 360°':>15}{'its error':>12}{'std. unc.':>12}{'by the map':>12}",
    ]
    for c in study.closures:
        sector = f"{c.from_deg:.0f}° to {c.to_deg:.0f}°"
        lines.append(
            f"  {sector:<22}{c.excess_deg:>14.4f}°{c.sector_error_deg:>11.4f}°{c.sector_u_deg:>11.4f}°{c.mapped_deg:>11.4f}°"
        )
    lines.append(
        f"  an interval closed on one sector alone has the standard uncertainty {study.closures[0].interval_u_deg:.4f}°"
    )
    return lines


def _orders(orders: Sequence[int]) -> str:
    return ", ".join(map(str, orders))


def _notes(read: _Read) -> list[NoteRow]:
    study, notes = read.study, []
    if not study.separate:
        notes.append(
            NoteRow(
                code="no-repeats",
                text="No reading was repeated, so that the readings' own scatter counts as left over by the map and the map comes out less "
                "sure than it is. Repeat them (column trial).",
            )
        )
    if study.residual_freedom < 5:
        notes.append(
            NoteRow(
                code="few-degrees-of-freedom",
                text=f"Only {study.residual_freedom} degrees of freedom check the fit; more clampings or features would help.",
            )
        )
    if read.certificate is None:
        notes.append(
            NoteRow(
                code="shaft-not-seen",
                text="What goes with the shaft and not with the disc (a shaft end that runs out) stays in the features' angles "
                "and is in no map of re-clampings.",
            )
        )
    if read.simulated:
        notes.append(
            NoteRow(code="simulated", text="These captures are of a simulated unit: the map is not for record.")
        )
    return notes


def _conclusion(read: _Read, found: EncoderMap | None, path: Path) -> list[str]:
    study = read.study
    words = []
    first = study.harmonics[0]
    seen = first.amplitude_deg > 2 * study.u_harmonic_deg(0)
    words.append(
        f"The encoder is off-centre by {first.amplitude_deg:.3f}° of error at the crest"
        + (f", {first.phase_deg:.0f}° past the index." if seen else ", which is no more than its uncertainty explains.")
    )
    for order in study.harmonics[1:]:
        words.append(f"Harmonic {order.order} adds {order.amplitude_deg:.3f}°.")
    if study.not_seen:
        words.append(
            f"Not seen: {_orders(study.not_seen)}. These readings cannot tell such orders from the features' own angles, from how the "
            "encoder was clamped, or from an order that is in the map; only the bound that the user states covers them."
        )
    words.append(
        "This is a calibration against the reference named."
        if read.certificate is not None
        else "This is a characterization: no reference stands behind it, only the circle's closure."
    )
    if found is None:
        words.append("No map was written: --due or --months writes one.")
        return words
    words.append(
        f"The map is in {printable(str(path))}, due on {found.due_on}; name it in bench.toml under [mounting] encoder_map."
    )
    words.append(VOID)
    return words
