"""What a function says of values it does not take."""

from collections.abc import Callable

import pytest

from quietcell.errors import DomainError


def assert_refused(call: Callable[[], object], message: str) -> None:
    """It raises a DomainError whose text begins like this."""
    with pytest.raises(DomainError) as caught:
        call()
    assert str(caught.value).startswith(message)
