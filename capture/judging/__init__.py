"""Judging a test set: from readings in JSON to results, verdicts and a suspect. No I/O."""

from capture.judging.assess import Assessment, assess
from capture.judging.judged import Named
from capture.judging.records import records

__all__ = ["Assessment", "Named", "assess", "records"]
