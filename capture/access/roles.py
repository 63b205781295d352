"""What takes a role that the site names. Pure."""

from collections.abc import Sequence

from capture.access.names import key_of
from capture.errors import NotAllowedError


def may(roles: Sequence[str], role: str) -> bool:
    """Tell whether a role is among those that the site names; whoever acts, where it names none."""
    return not roles or key_of(role) in {key_of(each) for each in roles}


def refuse_other_roles(roles: Sequence[str], role: str, what: str) -> None:
    """Refuse an act to whoever has none of the roles that may do it.

    what: the act, as in "void a job".

    Raises:
        NotAllowedError: says which roles may.
    """
    if not may(roles, role):
        has = f"the role {role}" if role else "no role here"
        raise NotAllowedError(
            f"at this bench only {' or '.join(roles)} may {what}, and whoever acts has {has}: ask "
            "one of them; roles are given by `benchtally operator add NAME --role ROLE`"
        )
