"""From what a session captured to a reading that can be stored."""

import base64
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from uuid import UUID

from pydantic import ValidationError

from capture.driver import Indication, Profile
from capture.driver.profile import standard_uncertainty
from capture.errors import DriverError
from capture.faults import one_line
from capture.model import (
    Bound,
    Polled,
    Quantified,
    Raw,
    ReadingDraft,
    Series,
    Streamed,
    Uncertainty,
    new_id,
)
from capture.model.fields import rfc3339
from capture.model.ids import new_id_bytes
from capture.model.written import WrittenDraft
from capture.runtime.forms import Form, is_plain, likeness
from capture.runtime.session import Captured

if TYPE_CHECKING:
    from datetime import datetime

_MOST_FORMS = 256
_PRINTABLE = frozenset(range(0x20, 0x7F)) | {0x09, 0x0A, 0x0D}


@dataclass(frozen=True, slots=True)
class Provenance:
    """What is the same for every reading of one session."""

    site: str
    bench: str
    instrument: str
    driver: str
    driver_version: str
    profile: Profile | None
    link: str
    session: UUID


class Drafter:
    """Turns the captures of one session into drafts."""

    def __init__(self, provenance: Provenance) -> None:
        self._is = provenance
        origin = {
            "driver": provenance.driver,
            "driver_version": provenance.driver_version,
            "profile": None if provenance.profile is None else provenance.profile.name,
            "link": provenance.link,
        }
        self._streamed = Streamed(**origin)
        self._polled = lru_cache(maxsize=16)(lambda query: Polled(query=query, **origin))
        self._series: UUID | None = None
        self._elapsed = -1.0
        self._forms: dict[Any, Form] = {}
        self._time: datetime | None = None
        self._time_text = b""

    def write(self, captured: Captured) -> WrittenDraft:
        """Write a draft with an id of its own; the same text as that of `draft`.

        Raises:
            DriverError: the driver gave an indication that no reading can hold.
        """
        try:
            if not is_plain(captured):
                return WrittenDraft.of(self.draft(captured))
            uncertainty = self._uncertainty(captured.indication)
            like = likeness(captured, uncertainty)
            form = self._forms.get(like)
        except (TypeError, ValueError, ArithmeticError, AttributeError):
            return WrittenDraft.of(self.draft(captured))  # which says what is wrong
        if form is None:
            draft = self.draft(captured)
            if len(self._forms) >= _MOST_FORMS:  # conditions may hold what is always different
                self._forms.clear()
            self._forms[like] = Form(draft)
            return WrittenDraft.of(draft)
        if captured.time is not self._time:
            self._time, self._time_text = captured.time, rfc3339(captured.time).encode()
        return form.write(new_id_bytes(), captured, self._time_text, uncertainty)

    def draft(self, captured: Captured) -> ReadingDraft:
        """Make a draft with an id of its own.

        Raises:
            DriverError: the driver gave an indication that no reading can hold.
        """
        indication, this = captured.indication, self._is
        try:
            return ReadingDraft(
                id=new_id(),
                site=this.site,
                bench=this.bench,
                instrument=this.instrument,
                session=this.session,
                time=captured.time,
                clock_synchronised=captured.synchronised,
                instrument_time=indication.instrument_time,
                quantity=indication.quantity,
                unit=indication.unit,
                value=None if indication.value is None else float(indication.value),
                digits=indication.digits,
                shown_unit=indication.shown_unit,
                status=indication.status,
                bound=_bound(indication),
                uncertainty=self._uncertainty(indication),
                source=self._streamed if captured.query is None else self._polled(captured.query),
                conditions={
                    name: Quantified(value=float(state[0]), unit=state[1])
                    if isinstance(state, tuple)
                    else state
                    for name, state in indication.conditions.items()
                },
                series=self._place_in_series(indication),
                group=captured.group,
                record=indication.record,
                raw=raw_frame(indication.raw),
            )
        except ValidationError as error:
            faults = one_line(error)
            raise DriverError(
                f"driver {this.driver} gave an indication that no reading can hold ({faults}); "
                "this is a bug in the driver, report it to its author"
            ) from error

    def _uncertainty(self, indication: Indication) -> Uncertainty | None:
        """Give the uncertainty by the profile's accuracy, where it says one."""
        profile = self._is.profile
        if profile is None or not profile.accuracy:
            return None
        found = standard_uncertainty(indication, profile.accuracy)
        if found is None:
            return None
        return Uncertainty(standard=found.standard, shared=found.shared, basis=found.basis)

    def _place_in_series(self, indication: Indication) -> Series | None:
        """Give the place in a timed series; one begins where the count starts again."""
        if indication.elapsed is None:
            return None
        elapsed = float(indication.elapsed)
        if self._series is None or elapsed < self._elapsed:
            self._series = new_id()
        self._elapsed = elapsed
        return Series(id=self._series, elapsed=elapsed)


def raw_frame(frame: bytes) -> Raw:
    """Keep a frame as text where it is plain ASCII, else in base64."""
    if _PRINTABLE.issuperset(frame):
        return Raw(encoding="ascii", data=frame.decode("ascii"))
    return Raw(encoding="base64", data=base64.b64encode(frame).decode("ascii"))


def _bound(indication: Indication) -> Bound | None:
    if indication.bound is None:
        return None
    return Bound(side=indication.bound.side, value=float(indication.bound.value))
