"""Which distributions are needed for Benchtally with some of its extras, by what is installed here."""

from importlib import metadata

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ITSELF = "benchtally"


def extras():
    """Give the names of all extras."""
    return sorted(metadata.metadata(ITSELF).get_all("Provides-Extra", []))


def closure(chosen=(), name=ITSELF, found=None):
    """Give the names of all distributions that `name` with the `chosen` extras needs, itself among them.

    What a marker leaves out on this machine is left out. Fails where one is not installed.
    """
    found = {} if found is None else found
    name = canonicalize_name(name)
    new = {"", *chosen} - found.get(name, set())
    if not new:
        return set(found)
    found.setdefault(name, set()).update(new)
    for line in metadata.requires(name) or ():
        each = Requirement(line)
        if each.marker is None or any(each.marker.evaluate({"extra": extra}) for extra in new):
            closure(each.extras, each.name, found)
    return set(found)


def modules(distributions):
    """Give the top-level modules that distributions bring."""
    return sorted(
        module
        for module, owners in metadata.packages_distributions().items()
        if distributions & {canonicalize_name(owner) for owner in owners}
    )
