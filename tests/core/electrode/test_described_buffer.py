"""A buffer is taken as described, and what is wrong in a description is told by its key."""

from datetime import date
from typing import Any

import pytest

from quietcell.core.electrode.described_buffer import described_buffer
from quietcell.errors import DomainError


def test_a_published_buffer_keeps_lot_and_last_day() -> None:
    found = described_buffer(
        {"set": "iupac-2002", "name": "borax", "lot": "M-1", "expires": "2027-03-31", "measurement": "x"}
    )
    assert (found.name, found.lot, found.expires) == ("borax", "M-1", date(2027, 3, 31))


@pytest.mark.parametrize(("ph", "at"), [(7.01, 25.0), ([7.02, 7.01], [20.0, 25.0])])
def test_a_buffer_with_a_certificate_is_described_by_a_value_or_a_table(ph: Any, at: Any) -> None:
    found = described_buffer({"name": "own", "ph": ph, "temperature_c": at})
    assert found.ph(25.0) == 7.01
    assert found.standard_uncertainty_ph == 0.01


@pytest.mark.parametrize(
    ("plain", "told"),
    [
        ({"set": "iupac-2002"}, "name is missing"),
        ({"name": "borax"}, "set is missing. Give set: the set it is of, or ph for"),
        ({"set": "iupac-2002", "name": "borax", "expires": "31.03.2027"}, "last day of use as YYYY-MM-DD"),
        ({"set": "iupac-2002", "name": "borax", "expires": "2027-02-30"}, "expires is '2027-02-30'"),
        ({"set": "iupac-2002", "name": "borax", "expires": 20270331}, "expires is 20270331"),
        ({"set": "iupac-2002", "name": "borax", "expiry": "2027-03-31"}, "unknown key 'expiry'. Known are"),
        ({"name": "own", "ph": "neutral"}, "ph is 'neutral'. Give ph: a number, or a list of them"),
        ({"name": "own", "ph": [7.0, None]}, "ph is "),
        ({"name": "own", "ph": 10**400}, "ph is 1000"),
        ({"name": "own", "ph": 7.0, "temperature_c": {}}, "temperature_c is {}"),
        ({"name": "own", "ph": 7.0, "standard_uncertainty_ph": "x"}, "standard_uncertainty_ph is 'x'"),
    ],
)
def test_what_is_wrong_is_told_by_its_key_and_with_what_to_write(plain: dict[str, Any], told: str) -> None:
    with pytest.raises(DomainError) as caught:
        described_buffer(plain)
    assert told in str(caught.value)
    assert str(caught.value).startswith("buffer: ")
    assert len(str(caught.value)) < 200
