"""Reading displays off photos over HTTP. What is read is proposed; nothing is stored."""

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter
from fastapi import Body as FileBody
from fastapi.concurrency import run_in_threadpool

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.jobs.desk import Desk
from capture.jobs.keyed import KeyedValues, TypedValue, drafts_of
from capture.jobs.procedure import Step
from capture.jobs.state import JobState
from capture.model import new_id
from capture.model.fields import MachineId
from capture.model.job import StepId
from capture.model.photo import PhotoProposals
from capture.photo.expect import Expectation
from capture.photo.labels import machine_of, names_of
from capture.plugins import named_profile
from capture.web.bench import Bench
from capture.web.bodies import Body, PhotoToRead
from capture.web.bodies import Display as Shown
from capture.web.problems import responses
from capture.web.readings import keying_of
from capture.web.who import Operator


class ReadPhoto(Body):
    """What was read off a photo for a step, and what is unlikely about it."""

    read: PhotoProposals
    """The proposals, and what is doubtful about them."""
    unlikely: tuple[str, ...] = ()
    """Where the values, taken as they were read, disagree with what is known of the machine."""


class ReadLabel(Body):
    """The machine that a label names, and all that its codes say."""

    machine: MachineId
    """The registered machine that one of the codes names."""
    codes: tuple[str, ...]
    """What each code says, whatever it names."""


def make_router(bench: Bench) -> APIRouter:
    """Make the route."""
    router = APIRouter(prefix="/api/jobs", tags=["jobs"])

    @router.post("/{job}/steps/{step}/photo", responses=responses(400, 404, 503))
    def read_photo(job: UUID, step: StepId, body: PhotoToRead, operator: Operator) -> ReadPhoto:
        """Propose a step's values from a photo that was handed in; a person confirms them.

        They are confirmed, or corrected, by keying them with ``from_photo``.
        """
        data = bench.evidence.get(body.photo)
        with bench.desk() as desk:
            state = desk.service.state(job)
            asked = state.step(step).step
            expected = Expectation(asked.quantity, asked.points)
            found = bench.photos.read(data, expected, _layout(bench, body.instrument), kept=True)
            return ReadPhoto(
                read=found, unlikely=_unlikely(bench, desk, state, asked, found, operator)
            )

    return router


def make_label_router(bench: Bench) -> APIRouter:
    """Make the route of labels."""
    router = APIRouter(prefix="/api", tags=["machines"])

    @router.post("/labels", responses=responses(400, 404, 413, 503))
    async def read_label(
        photo: Annotated[bytes, FileBody(media_type="application/octet-stream")],
        operator: Operator,
    ) -> ReadLabel:
        """Find the machine that the code on a label names, from a photo. The photo is not kept."""
        del operator  # as for every photo: nobody hands one in unnamed
        return await run_in_threadpool(find, photo)

    def find(photo: bytes) -> ReadLabel:
        codes = bench.photos.codes(photo)
        with bench.desk() as desk:
            machine = machine_of(codes, names_of(desk.service.machines()))
        return ReadLabel(machine=machine, codes=tuple(code.text for code in codes))

    return router


def _layout(bench: Bench, instrument: str | None) -> Display:
    """Give what is known of an instrument's display, by the profile that is named for it."""
    if instrument is None:
        return Display()
    equipment = bench.config.equipment.get(instrument)
    name = None if equipment is None else equipment.profile
    configured = bench.config.instruments.get(instrument)
    if name is None and configured is not None:
        name = configured.options.get("profile")
    if not isinstance(name, str):
        return Display()
    return named_profile(name).display or Display()


def _unlikely(
    bench: Bench, desk: Desk, state: JobState, step: Step, found: PhotoProposals, operator: str
) -> tuple[str, ...]:
    """Say what a person would be asked about, were the values taken as they were read."""
    values = [TypedValue(new_id(), each.text) for each in found.proposals]
    keying = keying_of(bench, Shown(), operator, step.quantity, None)
    try:
        drafts, _ = drafts_of(state, step, KeyedValues(keying, values))
    except InputError:
        return ()  # something is missing or was misread: its own doubts say so
    return tuple(doubt.question for doubt in desk.doubts(state, step, drafts))
