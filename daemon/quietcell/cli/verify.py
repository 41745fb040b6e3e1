"""``quietcell verify``: check that nothing in the ledger was changed, and that it all follows."""

import json
import re
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import click

from quietcell.cli.checked import checked
from quietcell.cli.options import Place, ledger_options
from quietcell.errors import UsageError
from quietcell.ledger.journal import Journal
from quietcell.ledger.readings_files import ReadingsFiles
from quietcell.ledger.verify import Head

_HASH = re.compile("[0-9a-fA-F]{64}")


@click.command("verify")
@ledger_options
@click.option(
    "--head",
    metavar="WITNESS",
    help="What was witnessed elsewhere: a file with the payload of the MQTT topic head, SEQ:HASH, or HASH.",
)
@click.option(
    "--recompute", "again", is_flag=True, help="Judge the stored readings again and compare every body."
)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
def command(place: Place, head: str | None, *, again: bool, as_json: bool) -> int:
    """Check that nothing in the ledger was changed, removed, swapped or added.

    Reads every record and every reading that a digest covers; the daemon may go on running. The first bad
    record is named. Without --head a cut tail or a complete rewrite can't be seen: keep heads somewhere
    else. With --recompute the stored readings, requests and settings go through the engine once more, and
    what it makes must be what the journal holds, byte for byte.

    Exit status: 0 sound, 1 damaged or different, 64 wrong use, such as a witnessed hash beside the number of
    another record.
    """
    witnessed = None if head is None else _witness(head)
    folder = place.folder()
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
        outcome = {"ledger": journal.ledger, **checked(journal, files, head=witnessed, quiet=as_json)}
        if witnessed is not None and outcome["sound"]:
            outcome["witnessed"] = witnessed.hash
        if again and outcome["sound"]:
            outcome["recomputed"] = _recomputed(journal, files, quiet=as_json)
    click.echo(json.dumps(outcome) if as_json else _told(outcome))
    different = sum(each["different"] for each in outcome.get("recomputed", {}).values())
    return 0 if outcome["sound"] and not different else 1


def _witness(text: str) -> Head:
    """Read a witnessed head from a file or the option itself."""
    path = Path(text)
    if path.is_file():
        try:
            payload = json.loads(path.read_text(encoding="utf-8"))
            return Head(hash=str(payload["hash"]), seq=int(payload["seq"]), ledger=payload.get("ledger"))
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise UsageError(
                "--head: the file holds no head", subject=text, hint='It looks like {"seq": 5, "hash": "..."}'
            ) from error
    seq, colon, digits = text.rpartition(":")
    if not _HASH.fullmatch(digits) or (colon and not seq.isdecimal()):
        raise UsageError(f"--head: {text!r} is no file, no SEQ:HASH and no hash of 64 hexadecimal digits")
    return Head(hash=digits.lower(), seq=int(seq) if colon else None)


def _recomputed(journal: Journal, files: ReadingsFiles, *, quiet: bool) -> dict[str, Any]:
    """Judge every cell's readings again."""
    from quietcell.service.recompute import recompute  # noqa: PLC0415 # the engine is loaded only for this

    outcome = {}
    for cell in journal.cells():
        done = 0
        with click.progressbar(
            length=journal.head[0], label=f"Judging {cell} again", hidden=quiet, file=sys.stderr
        ) as bar:

            def tell(seq: int, bar: Any = bar) -> None:
                nonlocal done
                bar.update(seq - done)
                done = seq

            found = recompute(journal, files, cell, tell=tell)
        outcome[cell] = {
            "same": found.same,
            "different": found.different,
            "differences": found.differences,
            "not_recomputable": dict(sorted(found.not_recomputable.items())),
        }
    return outcome


def _told(outcome: dict[str, Any]) -> str:
    if not outcome["sound"]:
        return f"Damaged: {outcome['fault']}"
    lines = [
        f"Sound: {outcome['records']} records of ledger {outcome['ledger']}",
        f"Head:  {outcome['records']}:{outcome['head']}",
        f"Readings that match their digests: {outcome['readings']}",
        f"Readings given up since: {outcome['readings_expired']}",
        f"Readings no digest covers yet: {outcome['readings_not_covered_yet']}",
    ]
    if "witnessed" in outcome:
        lines.insert(2, f"Witnessed and there unchanged: {outcome['witnessed']}")
    for cell, found in outcome.get("recomputed", {}).items():
        lines.append(
            f"{cell}: {found['same']} judged again with the same bytes, {found['different']} different"
        )
        lines += [f"  {text}" for text in found["differences"]]
        lines += [f"  {count} not recomputable: {why}" for why, count in found["not_recomputable"].items()]
    return "\n".join(lines)
