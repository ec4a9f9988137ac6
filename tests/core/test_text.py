"""How numbers are written: by the digits of their error."""

import pytest

from focuskit.core.text import round_pair


@pytest.mark.parametrize(
    ("value", "err", "written"),
    [
        (9043.5063, 0.113, ("9043.51", "0.11")),
        # An error that rounds up to the next power of ten has two digits, too.
        (9043.5063, 0.0997, ("9043.51", "0.10")),
        (-6.4837, 9.96, ("−6", "10")),
        (7.25, None, ("7.2", None)),
        (None, 1.0, ("–", None)),
    ],
)
def test_a_value_has_the_digits_of_its_error(value, err, written):
    assert round_pair(value, err) == written
