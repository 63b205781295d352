"""What takes a role that the site names."""

import pytest

from capture.access.roles import may, refuse_other_roles
from capture.errors import NotAllowedError


def test_where_the_site_names_no_role_whoever_acts_may():
    assert may((), "")
    refuse_other_roles((), "", "void a job")


@pytest.mark.parametrize("role", ["foreman", "FOREMAN", "test room"])
def test_a_role_that_is_named_may_however_it_is_written(role):
    assert may(("Foreman", "test room"), role)


@pytest.mark.parametrize("role", ["", "winder", "foremanly"])
def test_others_are_refused_with_who_may(role):
    assert not may(("foreman",), role)
    with pytest.raises(NotAllowedError, match="only foreman may void a job"):
        refuse_other_roles(("foreman",), role, "void a job")
