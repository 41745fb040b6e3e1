"""Any change of what is stored shows, and the first bad record is named."""

import json

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.errors import LedgerDamagedError
from quietcell.ledger.chain import GENESIS, Envelope, Stored, canonical, check_chain, digest

ENVELOPE = Envelope(
    ledger="5779e4ce-91d7-4920-8a28-31753b333c2c",
    recorded_at="2026-09-21T14:13:20.000Z",
    time_quality="synchronised",
    software="quietcell 0",
    engine_version=1,
)


def chain(length: int) -> list[Stored]:
    records: list[Stored] = []
    head = GENESIS
    for seq in range(1, length + 1):
        body = {"record": "note", "id": f"x.1.{seq}", "cell": "x", "at": "…", "text": "a" * seq, "n": seq / 3}
        records.append(ENVELOPE.seal(body, schema=1, seq=seq, previous=head))
        head = digest(records[-1].text)
    return records


def test_a_sound_chain_gives_count_and_head() -> None:
    records = chain(5)
    assert check_chain(records) == (5, digest(records[-1].text))
    assert check_chain([]) == (0, GENESIS)


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_any_changed_value_is_found_at_once(data: st.DataObject) -> None:
    records = chain(6)
    row = data.draw(st.integers(0, 4))
    text = records[row].text
    position = data.draw(st.integers(0, len(text) - 1))
    letter = data.draw(st.characters(codec="utf-8").filter(lambda c: c != text[position]))
    records[row] = Stored(seq=row + 1, text=text[:position] + letter + text[position + 1 :])
    with pytest.raises(LedgerDamagedError, match=rf"record ({row + 1}|{row + 2})\b"):
        check_chain(records)


@given(st.integers(0, 4), st.integers(0, 5), st.sampled_from(["remove", "swap", "double", "add"]))
@settings(max_examples=80, deadline=None)
def test_removed_swapped_doubled_and_added_records_are_found(row: int, other: int, how: str) -> None:
    records = chain(6)
    if how == "remove":
        del records[row]
        if row == other:  # renumbering does not hide it
            records = [Stored(seq=n, text=r.text) for n, r in enumerate(records, 1)]
    elif how == "swap":
        if row == other:
            return
        records[row], records[other] = records[other], records[row]
    elif how == "double":
        records.insert(row, records[row])
    else:
        forged = ENVELOPE.seal({"record": "note"}, schema=1, seq=row + 1, previous=GENESIS)
        records.insert(row, forged)
    with pytest.raises(LedgerDamagedError, match="record"):
        check_chain(records)


def test_a_resealed_record_breaks_the_next_link() -> None:
    records = chain(3)
    envelope = json.loads(records[1].text)
    envelope["body"]["text"] = "forged"
    records[1] = Stored(seq=2, text=canonical(envelope))
    with pytest.raises(LedgerDamagedError, match="record 3: this record or the one before it was changed"):
        check_chain(records)


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


@given(JSON_VALUES)
@settings(max_examples=150, deadline=None)
def test_the_form_is_that_of_the_reference_library(value: object) -> None:
    try:
        expected = rfc8785.dumps(value).decode()  # type: ignore[arg-type] # what the strategy makes is JSON
    except (rfc8785.CanonicalizationError, ValueError):
        with pytest.raises(ValueError, match=r"."):
            canonical(value)
        return
    assert canonical(value) == expected


@given(
    st.floats(1e-7, 1e-3) | st.floats(1e15, 1e17) | st.sampled_from([-0.0, 1e-4, 1e16, 9007199254740993.0])
)
@settings(max_examples=100, deadline=None)
def test_numbers_near_the_change_of_notation_are_written_as_the_reference_library_does(value: float) -> None:
    assert canonical({"x": value}) == rfc8785.dumps({"x": value}).decode()
