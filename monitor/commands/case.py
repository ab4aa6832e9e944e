"""`bagwright case`: a recording with its labels and configuration as one dated folder."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import tzinfo
from functools import partial
from pathlib import Path
from typing import Any

from monitor.commands.act import user
from monitor.commands.changeout_lines import changeout_lines
from monitor.commands.common import load_engine, say, warn
from monitor.commands.progress import CHUNK, Stopping, progress_bar
from monitor.commands.replay import parse_mapping, reasons
from monitor.commands.wording import number
from monitor.errors import InputError


def run_new(recordings: Sequence[Path], config: Path, out: Path, *, timezone: str | None, mapping: Sequence[str],
            dates: str | None, skid_id: str | None) -> None:
    """Make a case of an export as it comes, replay it once, and propose labels."""
    from monitor.config.overrides import template_of
    from monitor.ingest.recording import open_recordings
    from monitor.replay.minutes import Minutes
    from monitor.times import to_rfc3339
    from monitor.tuning.cases import LABELS, new_case, write_labels
    from monitor.tuning.labels import read_document
    from monitor.tuning.proposals import proposals

    template, names = template_of(config, skid_id), parse_mapping(mapping)
    skid = template.settings({})
    history = open_recordings(recordings, skid, timezone=timezone, mapping=names, dates=dates, chunk_rows=CHUNK)
    load_engine()
    from monitor.replay.first import first_replay

    stopping = Stopping()
    with progress_bar() as progress:
        found = first_replay(history, skid, stopping.checked(progress))
    minutes = Minutes.concat(found.minutes)
    folder = new_case(out, recordings, template, timezone=timezone, mapping=names, dates=dates, first=found.first,
                      last=found.last, minutes=minutes)
    document = read_document(folder / LABELS)
    document["proposals"] = proposals(found.output.events)
    write_labels(folder, document)
    for sentence in found.summary.warnings:
        warn(f"warning: {sentence}")
    say(f"case      {folder}")
    say(f"readings  {number(found.summary.used)} used, {to_rfc3339(found.first)} to {to_rfc3339(found.last)}")
    if found.summary.rejected:
        say(f"set aside {number(found.summary.rejected.total())}: {reasons(found.summary)}; `bagwright replay` writes "
            "each with its reason")
    for line in changeout_lines(found.output.changeouts, timezone, minutes, skid):
        say(line)
    say(f"labels    {len(document['proposals'])} proposed; look with `bagwright case labels {folder}`, then --confirm, "
        "--reject or --correct them")


def run_labels(folder: Path, *, confirm: str | None, reject: str | None, drop: str | None, correct: str | None,
               add: str | None, changes: dict[str, Any], who: str | None) -> None:
    """List labels, or change them by the numbers of that list."""
    from monitor.tuning import proposals as labels
    from monitor.tuning.casebook import relabel
    from monitor.tuning.cases import ABOUT, LABELS, open_case, read_about, zone_of
    from monitor.tuning.labels import labels_of, read_document

    case = open_case(folder)
    why = changes.pop("why", None) or ""
    given = {key: value for key, value in changes.items() if value is not None}
    acts: list[tuple[str, str | None, Callable[[str, str, dict[str, Any]], int]]] = [
        ("confirmed", confirm, lambda text, by, document: labels.confirm(document, text, by=by)),
        ("decoys now", reject, lambda text, by, document: labels.reject(document, text, why, by=by)),
        ("dropped", drop, lambda text, by, document: labels.drop(document, text)),
        ("corrected", correct, lambda text, by, document: labels.correct(document, text, _some(given), by=by)),
        ("added", add, lambda kind, by, document: _add(document, given | {"kind": kind}, by)),
    ]
    asked = [(done, text, act) for done, text, act in acts if text is not None]
    _check_given(given, why, who, add=add is not None, correct=correct is not None, reject=reject is not None,
                 anything=bool(asked))
    if len(asked) > 1:
        raise InputError("case labels: one of --confirm, --reject, --correct, --drop and --add at a time: the numbers "
                         "change with each")
    for done, text, act in asked:
        by = who or user()
        say(f"{relabel(folder, case.skid, partial(act, text, by))} {done}")
    document, zone = read_document(folder / LABELS), zone_of(read_about(folder / ABOUT))
    labels_of(document, str(folder / LABELS))
    for place, name, entry in labels.numbered(document):
        say(f"{place:>4}  {_WORDS[name]:<9} {_told(entry, zone)}")


_WORDS = {"proposals": "proposed", "events": "label", "decoys": "decoy", "allowed": "allowed"}


def _told(entry: dict[str, Any], zone: tzinfo) -> str:
    """Times by the clocks of `zone`, written as `--at` takes them."""
    head = f"{_written(entry['time'], zone)}  {entry.get('kind') or entry.get('what') or ''}"
    more = [str(entry[key]) for key in ("vessel", "signal", "detail") if entry.get(key)]
    if entry.get("until"):
        more.append(f"until {_written(entry['until'], zone)}")
    return ", ".join([head, *more])


def _written(time: object, zone: tzinfo) -> str:
    from monitor.times import parse_rfc3339
    from monitor.web.words import iso

    read = parse_rfc3339(str(time))
    return iso(read, zone) if isinstance(read, int) else str(time)


def _check_given(given: dict[str, Any], why: str, who: str | None, *, add: bool, correct: bool,
                 reject: bool, anything: bool) -> None:
    """What belongs to another act would be passed over in silence."""
    if given and not (correct or add):
        names = ", ".join(f"--{_TYPED.get(key, key)}" for key in given)
        raise InputError(f"case labels: found {names}; accepted: only with --correct or --add")
    if "kind" in given and add:
        raise InputError("case labels: found --kind; accepted: only with --correct")
    if why and not reject:
        raise InputError("case labels: found --why; accepted: only with --reject")
    if who is not None and not anything:
        raise InputError("case labels: found --by; accepted: only with --confirm, --reject, --correct, --drop or --add")


_TYPED = {"time": "at", "within_s": "within"}


def _some(given: dict[str, Any]) -> dict[str, Any]:
    if not given:
        raise InputError("--correct: nothing to change is given; accepted with it: --at, --kind, --until, --vessel, "
                         "--signal, --detail, --within")
    return given


def _add(document: dict[str, Any], given: dict[str, Any], by: str) -> int:
    from monitor.tuning.proposals import add

    if "time" not in given:
        raise InputError("--add: --at is missing: when it began, as 2026-04-14T07:16:00Z")
    add(document, given, by=by)
    return 1


def run_case_page(folder: Path, *, port: int) -> None:
    """Serve a folder of cases, or that of one case, to this machine only; no daemon and no store are needed, and there
    are no views but theirs."""
    import tempfile

    from monitor.commands.page import open_reader
    from monitor.settings import Settings, WebSettings
    from monitor.store import Store
    from monitor.tuning.casebook import CaseBook
    from monitor.tuning.cases import is_case
    from monitor.web.server import serve

    folder = folder.absolute().parent if is_case(folder) else folder
    book = CaseBook(folder)
    if not book.names():
        raise InputError(f"{folder}: no case in it; accepted: a folder in which `bagwright case new` made some")
    with tempfile.TemporaryDirectory(prefix="bagwright-") as place:
        store = Path(place, "empty.db")
        Store.open(store, now=lambda: 0).close()
        serve(lambda: open_reader(store), Settings(skids=(), web=WebSettings(port=port)), cases=book,
              ready=lambda address: say(f"cases at {address}cases; Ctrl-C ends it"))


def run_verify(folder: Path) -> None:
    """Check a case's files against its checksums."""
    from monitor.tuning.cases import broken_files, open_case, sums

    broken = broken_files(folder)
    if broken:
        raise InputError(f"{folder}: not as it was made: {', '.join(broken)}")
    open_case(folder)
    say(f"{folder}: {len(sums(folder))} files as they were made")
