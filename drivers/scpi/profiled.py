"""From a profile's ``[scpi]`` part to a plan."""

from collections.abc import Mapping

from capture.driver import Profile, ValueField
from drivers.scpi.freshness import Freshness
from drivers.scpi.manners import Manners
from drivers.scpi.meter import Function, Plan, Setting
from drivers.scpi.values import AnswerForm, Field

_FUNCTION = "function"


def plan_of(profile: Profile, manners: Manners, conditions: Mapping[str, str]) -> Plan:
    """Make the plan of an instrument from its profile; ``conditions`` go before the profile's."""
    scpi = profile.scpi
    assert scpi is not None  # a profile for a SCPI driver has one
    settings = [Setting(name, each.query, each.unit) for name, each in scpi.settings.items()]
    if scpi.function is not None:
        settings.insert(0, Setting(_FUNCTION, scpi.function.query, scpi.function.unit))
    return Plan(
        query=scpi.query,
        manners=manners,
        form=_form(scpi.values, scpi.status, scpi.query) if scpi.values else None,
        freshness=Freshness(
            every=not scpi.query.upper().startswith((":FETC", "FETC")),
            measures_every_s=scpi.measures_every_s,
            event_query=scpi.event_query,
            event_bit=scpi.event_bit,
        ),
        settings=tuple(settings),
        function_setting=_FUNCTION if scpi.function is not None else "",
        functions={
            name: Function(_form(each.values, scpi.status, scpi.query), each.conditions)
            for name, each in scpi.functions.items()
        },
        conditions={**profile.conditions, **conditions},
    )


def _form(fields: tuple[ValueField, ...], status: Mapping[str, object], query: str) -> AnswerForm:
    made = tuple(
        Field(each.quantity or "", each.unit, is_status=each.role == "status") for each in fields
    )
    return AnswerForm(made, query=query, status=dict(status))  # type: ignore[arg-type] # checked by the profile
