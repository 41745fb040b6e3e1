"""Any single stored value changed, any row removed, swapped or added is found, and named."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.core.engine import Engine
from quietcell.core.inputs import SegmentEnded
from quietcell.core.times import rfc3339
from quietcell.errors import LedgerDamagedError
from quietcell.ledger.chain import GENESIS, digest
from quietcell.ledger.digest import DigestSpan, ReadingsDigestBody, undigested
from quietcell.ledger.journal import FILE_NAME, Journal
from quietcell.ledger.readings_files import ReadingsFiles, SegmentReadings
from quietcell.ledger.verify import Head, Verified, verify
from quietcell.service.digests import record_digest
from quietcell.service.records import DaemonIds
from tests.support.ledgers import open_ledger
from tests.support.recorded import CELL, record_run, recorded
from tests.support.streams import ANCHOR_UTC_MS, began, cell_settings, readings

END_OF_MONTH_MS = 1_790_812_775_000  # 2026-09-30T23:59:35Z
READINGS = ("readings-2026-09.sqlite", "readings-2026-10.sqlite")
WHOLE = ("cell", "segment", "ms", "tie", "flags")
COLUMNS = (*WHOLE, "mv", "temperature_c", "conductivity_us_cm", "flow_ml_min")
EMPTY = digest("")
Statement = tuple[str, tuple[object, ...]]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger of two runs across the end of a month."""
    made = tmp_path_factory.mktemp("ledger")
    recorded(made, utc_ms=END_OF_MONTH_MS)
    return made


def check(folder: Path, head: Head | None = None) -> Verified:
    with Journal(folder) as journal, closing(ReadingsFiles(folder, read_only=True)) as files:
        return verify(journal, files, head=head, tell=lambda _: None)


@contextmanager
def changed(folder: Path, file: str, *statements: Statement) -> Iterator[bool]:
    """Change a stored file and give it back as it was; tells whether anything was changed."""
    path = folder / file
    before = path.read_bytes()
    database = sqlite3.connect(path, isolation_level=None)
    try:
        database.execute("PRAGMA synchronous = OFF")
        rows = [database.execute(statement, values).rowcount for statement, values in statements]
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        database.close()
        yield max(rows) > 0
    finally:
        database.close()
        path.write_bytes(before)


def assert_found(folder: Path, file: str, *statements: Statement, match: str | None = None) -> None:
    with changed(folder, file, *statements) as anything:
        assert anything
        with pytest.raises(LedgerDamagedError, match=match):
            check(folder)


def test_a_sound_ledger_is_sound_and_counted(folder: Path) -> None:
    found = check(folder)
    assert (found.readings, found.readings_expired, found.readings_uncovered) == (120, 0, 0)
    with Journal(folder) as journal:
        assert (found.records, found.head) == journal.head


@given(st.data())
@settings(max_examples=35, deadline=None)
def test_any_changed_value_of_a_covered_reading_is_found(folder: Path, data: st.DataObject) -> None:
    file = data.draw(st.sampled_from(READINGS))
    column = data.draw(st.sampled_from(COLUMNS))
    with closing(sqlite3.connect(folder / file)) as database:
        rows = database.execute("SELECT cell, segment, ms, tie FROM reading").fetchall()
        key = data.draw(st.sampled_from(rows))
        where = "WHERE cell = ? AND segment = ? AND ms = ? AND tie = ?"
        (value,) = database.execute(f"SELECT {column} FROM reading {where}", key).fetchone()  # noqa: S608 # own names
    whole = st.integers(-(2**40), 2**40)
    new = data.draw(whole if column in WHOLE else st.floats(allow_nan=False))
    if new == value or (column in {"ms", "tie"} and (*key[:2], new, key[3]) in rows):
        return
    assert_found(folder, file, (f"UPDATE OR IGNORE reading SET {column} = ? {where}", (new, *key)))  # noqa: S608 # same


@given(
    st.sampled_from(READINGS), st.integers(0, 10**6), st.sampled_from(["remove", "double", "swap", "before"])
)
@settings(max_examples=25, deadline=None)
def test_removed_added_and_swapped_readings_are_found(folder: Path, file: str, pick: int, how: str) -> None:
    with closing(sqlite3.connect(folder / file)) as database:
        rows = database.execute("SELECT * FROM reading").fetchall()
    row = rows[pick % len(rows)]
    where, key = "WHERE cell = ? AND segment = ? AND ms = ? AND tie = ?", row[:4]
    insert = "INSERT INTO reading VALUES (?,?,?,?,?,?,?,?,?)"
    if how == "remove":
        assert_found(folder, file, (f"DELETE FROM reading {where}", key))  # noqa: S608 # own names
    elif how == "double":
        assert_found(folder, file, (insert, (*row[:3], row[3] + 1, *row[4:])))
    elif how == "before":
        assert_found(folder, file, (insert, (*row[:2], -1 - pick, *row[3:])), match="covered by no digest")
    else:
        other = rows[(pick // len(rows)) % len(rows)]
        if row[4:] == other[4:]:
            return
        swap = f"UPDATE reading SET mv = ?, temperature_c = ? {where}"  # noqa: S608 # own names
        assert_found(folder, file, (swap, (*other[4:6], *key)), (swap, (*row[4:6], *other[:4])))


@pytest.mark.parametrize(
    ("statement", "match"),
    [
        ("UPDATE cell SET name = 'larval-hall'", "unknown cell larval-hall"),
        ("INSERT INTO cell (name) VALUES ('larval-hall')", "unknown cell larval-hall"),
        ("UPDATE cell SET number = 7", "without a name"),
        ("UPDATE flag SET label = 'harmless' WHERE bit = 1", "names of the flags"),
        (
            "INSERT INTO reading SELECT cell, 9, ms, tie, 1, 1, 1, 1, 0 FROM reading",
            "of segment 9, which no record",
        ),
    ],
)
def test_what_names_the_readings_is_checked_too(folder: Path, statement: str, match: str) -> None:
    assert_found(folder, READINGS[0], (statement, ()), match=match)


def test_readings_moved_to_the_file_of_another_month_are_found(folder: Path) -> None:
    with closing(sqlite3.connect(folder / READINGS[0])) as database:
        last = database.execute("SELECT * FROM reading ORDER BY segment DESC, ms DESC LIMIT 1").fetchone()
    insert = ("INSERT INTO reading VALUES (?,?,?,?,?,?,?,?,?)", last)
    with changed(folder, READINGS[1], insert):
        key = "DELETE FROM reading WHERE segment = ? AND ms = ?"
        assert_found(folder, READINGS[0], (key, last[1:3]), match="file of another month")


@given(st.data())
@settings(max_examples=25, deadline=None)
def test_any_changed_value_of_the_journal_is_found(folder: Path, data: st.DataObject) -> None:
    with Journal(folder) as journal:
        records = list(journal.all())
    record = data.draw(st.sampled_from(records[:-1]))
    position = data.draw(st.integers(0, len(record.text) - 1))
    letter = data.draw(st.characters(codec="utf-8").filter(lambda c: c != record.text[position]))
    text = record.text[:position] + letter + record.text[position + 1 :]
    update = ("UPDATE OR IGNORE journal SET record = ? WHERE seq = ?", (text, record.seq))
    try:
        assert_found(folder, FILE_NAME, update)
    except sqlite3.DatabaseError as error:  # the file itself refuses text that is no JSON
        assert "JSON" in str(error)  # noqa: PT017 # only some changes are refused


@pytest.mark.parametrize(
    ("statement", "match"),
    [
        ("DELETE FROM journal WHERE seq = 3", "record 3 is missing"),
        ("DELETE FROM journal WHERE seq = 1", "record 1 is missing"),
        ("UPDATE journal SET seq = 900 WHERE seq = 4", "record 4 is missing"),
        ("UPDATE identity SET ledger = 'another'", "record 1: it is of another ledger"),
        (
            "INSERT INTO journal SELECT 900, json_set(record, '$.body.id', 'x') FROM journal WHERE seq = 4",
            "record .* is missing",
        ),
    ],
)
def test_removed_moved_and_added_records_are_named(folder: Path, statement: str, match: str) -> None:
    assert_found(folder, FILE_NAME, (statement, ()), match=match)


def test_text_that_is_no_text_is_named(folder: Path) -> None:
    broken = ("UPDATE journal SET record = CAST(CAST(record AS BLOB) || x'ff' AS TEXT) WHERE seq = 5", ())
    try:
        assert_found(folder, FILE_NAME, broken)
    except sqlite3.DatabaseError as error:
        assert "JSON" in str(error)  # noqa: PT017 # the file itself may refuse it


def test_a_cut_tail_and_a_rewrite_show_against_a_witnessed_head_only(folder: Path) -> None:
    with Journal(folder) as journal:
        seq, head = journal.head
        middle = journal.after(3, limit=1)[0]
        ledger = journal.ledger
    for witnessed in (
        Head(hash=head, seq=seq, ledger=ledger),
        Head(hash=head),
        Head(hash=digest(middle.text), seq=4),
    ):
        assert check(folder, witnessed).records == seq
    with changed(folder, FILE_NAME, ("DELETE FROM journal WHERE seq > ?", (seq - 3,))):
        check(folder)
        with pytest.raises(LedgerDamagedError, match=f"record {seq} was witnessed, but the journal ends"):
            check(folder, Head(hash=head, seq=seq))
        with pytest.raises(LedgerDamagedError, match="no record has the witnessed hash"):
            check(folder, Head(hash=head))
    with pytest.raises(LedgerDamagedError, match="record 4: its hash is not the witnessed"):
        check(folder, Head(hash=GENESIS, seq=4))
    with pytest.raises(LedgerDamagedError, match=r"this is ledger .*, witnessed was other"):
        check(folder, Head(hash=head, seq=seq, ledger="other"))


@pytest.mark.parametrize("file", [FILE_NAME, *READINGS])
def test_a_damaged_file_is_named(folder: Path, tmp_path: Path, file: str) -> None:
    for path in folder.glob("*.sqlite"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    stored = bytearray((tmp_path / file).read_bytes())
    stored[8192:] = b"x" * (len(stored) - 8192)
    (tmp_path / file).write_bytes(stored)
    with pytest.raises(LedgerDamagedError, match=r"file is damaged"):
        check(tmp_path)


def test_a_journal_whose_index_tells_otherwise_than_its_records_is_found(folder: Path) -> None:
    with closing(sqlite3.connect(folder / FILE_NAME)) as database:  # else held open while it changes
        (version,) = database.execute("PRAGMA schema_version").fetchone()
    other_cells = "UPDATE sqlite_master SET sql = replace(sql, '$.body.cell', '$.body.id')"
    assert_found(
        folder,
        FILE_NAME,
        ("PRAGMA writable_schema = ON", ()),
        (f"{other_cells} WHERE name = 'journal'", ()),
        (f"PRAGMA schema_version = {version + 1}", ()),
        match="the file is damaged",
    )


async def test_readings_behind_the_last_digest_are_counted_and_no_damage(tmp_path: Path) -> None:
    ledger, engine, block = open_ledger(tmp_path), Engine(cell_settings()), readings(60)
    await record_run(ledger, engine, block, segment=1)
    await ledger.record(engine.take(began(2, utc_ms=ANCHOR_UTC_MS + 100_000)))
    for part in (block[:40], block[40:]):
        ledger.keep(SegmentReadings(cell=CELL, segment=2, anchor_utc_ms=ANCHOR_UTC_MS + 100_000, block=part))
        await ledger.flush()
        if len(part) == 40:
            await record_digest(
                ledger, DaemonIds(2), CELL, utc_ms=ANCHOR_UTC_MS, complete=(2, int(part.ms[-1]) + 10)
            )
    await ledger.close()
    found = check(tmp_path)
    assert (found.readings, found.readings_uncovered) == (100, 20)


async def test_each_reading_is_digested_once_though_its_segment_ends_before_a_digest_is_stored(
    tmp_path: Path,
) -> None:
    ledger, engine, block = open_ledger(tmp_path), Engine(cell_settings()), readings(60)
    half_ms, end_ms = int(block.ms[29]), int(block.ms[-1]) + 100

    def digested(complete: tuple[int, int] | None) -> list[DigestSpan]:
        return list(undigested(ledger.journal, ledger.readings, CELL, complete=complete))

    async def told(spans: list[DigestSpan], number: int) -> list[tuple[int, int, int, int]]:
        body = ReadingsDigestBody(
            id=f"daemon.9.{number}", cell=CELL, at=rfc3339(ANCHOR_UTC_MS), spans=tuple(spans)
        )
        await ledger.record([body])
        return [(span.segment, span.after_ms, span.upto_ms, span.readings) for span in spans]

    await ledger.record(engine.take(began(1)))
    ledger.keep(SegmentReadings(cell=CELL, segment=1, anchor_utc_ms=ANCHOR_UTC_MS, block=block))
    await ledger.flush()
    of_the_hour = digested((1, half_ms))
    ended = engine.take(SegmentEnded(ms=end_ms, cause="clock-step"))
    await ledger.record([*ended, *engine.take(began(2, utc_ms=ANCHOR_UTC_MS + end_ms))])
    assert await told(of_the_hour, 1) == [(1, -1, half_ms, 30)]
    assert await told(digested(None), 2) == [(1, half_ms, end_ms, 30)]
    assert digested((2, 5000)) == []  # nothing has come of it
    await ledger.close()
    assert check(tmp_path).readings == 60


async def test_a_digest_that_leaves_readings_out_is_found(tmp_path: Path) -> None:
    ledger, engine = open_ledger(tmp_path), Engine(cell_settings())
    await record_run(ledger, engine, readings(60), segment=1)
    last = DigestSpan(segment=1, after_ms=90_000, upto_ms=100_000, readings=0, sha256=EMPTY)
    body = ReadingsDigestBody(id="daemon.9.1", cell=CELL, at=rfc3339(ANCHOR_UTC_MS), spans=(last,))
    await ledger.record([body])
    await ledger.close()
    with pytest.raises(LedgerDamagedError, match="does not follow on the digest before"):
        check(tmp_path)
