"""Moments as they are typed."""

import pytest

from capture.cli.moments import moment
from capture.errors import InputError


@pytest.mark.parametrize(
    "text", ["yesterday", "", "2026-13-01", "0001-01-01T00:00+23:00", "9999-12-31T23:59-23:00"]
)
def test_what_is_no_time_is_refused_with_the_option(text):
    with pytest.raises(InputError, match=r"^--since .* is no time such as 2026-01-31"):
        moment("--since", text)
