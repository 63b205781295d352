"""A bench whose jobs are done, as the records' tests make it; tests of a module share it."""

from tests.unit.records.conftest import bench, years

__all__ = ["bench", "years"]
