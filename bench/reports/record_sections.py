"""Sections on the record: other checks, findings and amendments, bench and calibration, where the evidence lies, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bench import cautions, entries
from bench.files import printable
from bench.records.model import Check, JournalLink, Record, Stored, Tool
from bench.reports.layout import DASH, Fact, Section, Table, figure, general
from bench.result import ResultDocument

CLIP = (
    "Clip to the insulated terminal, strain-relieved, clear of the cam; never to the moving arm. No battery or insulation tester across "
    "the probe."
)
POINTS = (
    "Do not over-open or bend the points. Contacts dry and clean; cam and felt lubricated as the manual says. Watch the lead when "
    "closing the housing."
)


def code_text(stored: Stored | None) -> str:
    """What the QR code says: the record's id and the hash of its entry; nothing without a record."""
    return "" if stored is None else f"breakerbench record {stored.record.id} SHA-256 {stored.hash}"


def checks(stored: Stored | None) -> Section | None:
    """The manual's other checks, each with its tool, and the tools used beside the bench."""
    if stored is None or not (stored.record.checks or stored.record.tools):
        return None
    tables = []
    if stored.record.checks:
        header = ("check", "value", "unit", "limits", "verdict", "tool", "calibration due", "note")
        rows = tuple(_check(c) for c in stored.record.checks)
        tables.append(Table("Other checks", header, rows, tuple(h == "value" for h in header)))
    if stored.record.tools:
        tools = tuple(
            (printable(t.name), _or_dash(t.serial_number), _or_dash(t.calibration_due)) for t in stored.record.tools
        )
        tables.append(
            Table("Tools used beside the bench", ("tool", "serial number", "calibration due"), tools, (False,) * 3)
        )
    return Section("Other checks", tables=tuple(tables))


def _check(check: Check) -> tuple[str, ...]:
    return (
        printable(check.name) + (" (stops the job)" if check.stops_job else ""),
        general(check.value),
        _or_dash(check.unit),
        entries.limits_text(check.lower_limit, check.upper_limit, general) or DASH,
        _or_dash(check.verdict),
        _tool(check.tool),
        DASH if check.tool is None else _or_dash(check.tool.calibration_due),
        _or_dash(check.note),
    )


def _tool(tool: Tool | None) -> str:
    if tool is None:
        return DASH
    return printable(tool.name) + (f", {printable(tool.serial_number)}" if tool.serial_number else "")


def remarks(result: ResultDocument, stored: Stored | None) -> Section | None:
    """Findings, notes of the measurement, skipped steps, cautions acknowledged, and every amendment."""
    items = [printable(n.text) + (f" ({n.times} times)" if n.times > 1 else "") for n in result.notes]
    items += [
        f"Entered at the bench: {text}" for entry in _lasting(result.entries) if (text := _entered(entry, stored))
    ]
    tables = []
    if stored is not None:
        record = stored.record
        items = [f"Finding: {printable(f.text)}" for f in stored.findings] + items
        items += [f"Remark: {printable(text)}" for text in stored.remarks]
        items += [f"Step skipped: {printable(step)}" for step in record.skipped_steps]
        items += [f"Caution acknowledged: {printable(text)}" for text in record.cautions_acknowledged]
        rows = tuple(
            (printable(a.at), printable(a.by), printable(a.why), printable(field), printable(text))
            for a in stored.amendments
            for field, text in a.changes
        )
        if rows:
            tables.append(
                Table(
                    "Amendments, added later; nothing was overwritten",
                    ("at", "by", "why", "field", "now reads"),
                    rows,
                    (False,) * 5,
                )
            )
    if not items and not tables:
        return None
    return Section("Findings, notes and amendments", tables=tuple(tables), items=tuple(items))


def _lasting(entered: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Entries without those that only say of a check that it was still to come, and that a later one of the same check replaced."""
    last = {str(entry.get("name")): n for n, entry in enumerate(entered) if entry.get("kind") == "check"}
    return [
        entry
        for n, entry in enumerate(entered)
        if entry.get("kind") != "check" or entry.get("verdict") != entries.NOT_DONE or n == last[str(entry.get("name"))]
    ]


def _entered(entry: dict[str, Any], stored: Stored | None) -> str:
    """One entry in words; empty if the record, which tells of it elsewhere, holds it."""
    told = entries.sentence(entry)
    if told is not None:
        return told
    text = entry.get("text")
    if stored is not None and isinstance(text, str) and _is_held(printable(text.strip()), stored.record):
        return ""
    kind = printable(str(entry.get("kind", "")))
    return f"{kind}: " + ", ".join(printable(f"{key} {_plain(value)}") for key, value in entry.items() if key != "kind")


def _is_held(text: str, record: Record) -> bool:
    return text in (*record.cautions_acknowledged, *record.skipped_steps, *(f.text for f in record.findings))


def bench(result: ResultDocument, file: dict[str, Any], stored: Stored | None) -> Section:
    """Which instrument measured, how its encoder is known, and the bench file that was used."""
    board, encoder, link = result.board or {}, result.encoder, result.link
    facts = [
        Fact("Board", printable(str(board.get("board_id", DASH)))),
        Fact("Firmware", printable(str(board.get("firmware", DASH)))),
        Fact("Boot counter", str(board.get("boot_counter", DASH))),
        Fact("Encoder, counts per turn", str(board.get("counts_per_turn", DASH))),
        Fact("Software", f"{printable(result.software or DASH)}, analysis {result.analysis}"),
    ]
    if link is not None:
        facts.append(Fact("Line", f"{link.frames} frames, {link.bad_frames} bad, {link.losses} losses"))
    if encoder is None:
        facts.append(Fact("Encoder map", "none; the bound on how far the encoder is off-centre stands in the budgets"))
    else:
        facts += [
            Fact("Encoder map", f"{encoder.kind} of {printable(encoder.encoder)}"),
            Fact("made on, due on", f"{printable(encoder.made_on)}, {printable(encoder.due_on)}"),
            Fact("Certificate", printable(encoder.certificate or DASH)),
            Fact("Orders of the map", ", ".join(map(str, encoder.orders)) or DASH),
            Fact("Orders that were not seen", ", ".join(map(str, encoder.orders_not_seen)) or DASH),
            Fact("What the map leaves", f"{figure(encoder.left_deg, 4)}°"),
        ]
    engine = result.engine
    if engine is not None:
        facts.append(
            Fact(
                "On a four-stroke engine",
                f"{engine.cylinders} cylinders: 1° of the magnet is {general(engine.crank_deg_per_magneto_deg)}° of the crankshaft, "
                f"{general(engine.magneto_turns_per_crank_turn)} turns of the magnet per turn of the crankshaft",
            )
        )
    rows = tuple(
        (printable(f"{table}.{key}"), printable(_plain(value)))
        for table, keys in sorted(file.items())
        for key, value in (sorted(keys.items()) if isinstance(keys, dict) else [("", keys)])
        if table != "link"
    )
    rows = tuple((name.rstrip("."), value) for name, value in rows)
    tables = (Table("Bench file, as used", ("key", "value"), rows, (False, False), small=True),) if rows else ()
    if stored is None:
        facts.append(Fact("Record", "none"))
    return Section("Bench and calibration", facts=tuple(facts), tables=tables)


def _plain(value: object) -> str:
    if isinstance(value, float):
        return general(value)
    if isinstance(value, (list, tuple)):
        return " to ".join(_plain(v) for v in value)
    return DASH if value is None else str(value)


def evidence(stored: Stored | None, no_journal: str) -> Section:
    """Where the journal lies, and the hashes."""
    if stored is None:
        return Section("Evidence", ("This report was made from a capture; no record stands behind it.",))
    record: Record = stored.record
    facts = [
        Fact("Record", f"{record.id}, entry {stored.sequence} of its store"),
        Fact("Written", printable(record.made_at)),
        Fact("Hash of the record's entry (SHA-256)", stored.hash),
        *_journal(record.journal, "Journal"),
    ]
    for earlier in record.earlier_journals:
        facts += _journal(earlier, "Journal of an earlier, interrupted session")
    sentences = ["The journal holds every byte that came from the board; replayed, it gives the same figures."]
    if no_journal:
        sentences.append(f"{no_journal}.")
    return Section("Evidence", tuple(sentences), facts=tuple(facts))


def _journal(link: JournalLink, name: str) -> list[Fact]:
    return [
        Fact(name, f"{printable(link.place)} on {printable(link.computer)}, {link.size_bytes} bytes"),
        Fact("its hash (SHA-256)", link.sha256),
    ]


def cautions_section() -> Section:
    """What can hurt, and what this is not."""
    return Section("Cautions", items=(cautions.AID, cautions.LIVE, cautions.SNAP, CLIP, POINTS))


def _or_dash(text: str | None) -> str:
    return DASH if not text else printable(text)
