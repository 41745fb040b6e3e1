"""Any change of what is stored shows, and the first bad record is named."""

import json

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.errors import LedgerDamagedError
from quietcell.ledger.canonical import canonical
from quietcell.ledger.chain import GENESIS, Envelope, Stored, check_chain, digest

ENVELOPE = Envelope(
    ledger="5779e4ce-91d7-4920-8a28-31753b333c2c",
    recorded_at="2026-09-21T14:13:20.000Z",
    time_quality="synchronised",
    software="quietcell 0",
    engine_version=1,
)


def chain(length: int) -> list[Stored]:
    bodies = [
        {"record": "note", "id": f"x.1.{seq}", "cell": "x", "at": "…", "text": "a" * seq, "n": seq / 3}
        for seq in range(1, length + 1)
    ]
    return ENVELOPE.seal([(canonical(body), 1) for body in bodies], behind=(0, GENESIS))[0]


@given(
    st.dictionaries(st.text(st.characters(codec="utf-8"), max_size=5), st.text(st.characters(codec="utf-8"))),
    st.integers(1, 9),
    st.integers(0, 2**40),
    st.text(st.characters(codec="utf-8")),
)
@settings(max_examples=80, deadline=None)
def test_a_sealed_record_is_the_canonical_form_of_envelope_and_body(
    body: dict[str, str], schema: int, seq: int, name: str
) -> None:
    envelope = ENVELOPE._replace(software=name)
    (record,), head = envelope.seal([(canonical(body), schema)], behind=(seq, "ab" * 32))
    assert head == (record.seq, digest(record.text))
    whole = {**envelope._asdict(), "body": body, "schema": schema, "seq": seq + 1, "previous": "ab" * 32}
    assert record == Stored(seq=seq + 1, text=rfc8785.dumps(whole).decode())


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
        ((forged,), _) = ENVELOPE.seal([('{"record":"note"}', 1)], behind=(row, GENESIS))
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
