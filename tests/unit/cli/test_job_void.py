"""``benchtally job void``, a job begun twice, and verdicts in ``job list``."""

import json

import pytest

from capture.access.file import AccessFile
from capture.access.operators import Operators
from capture.clock import ManualClock
from capture.config import load_config

OPERATOR = ("--operator", "winder")
WHY = ("--reason", "begun on the wrong machine")


def test_a_job_is_voided_with_a_caution_and_stays_readable(jobs):
    jobs.start("insulation-one-minute")
    jobs.act("applied", "insulation", "60")
    said = jobs.act("void", *WHY)
    assert said.startswith("the job is void (entry ")
    assert said.index("CAUTION: a test voltage") < said.index("To do after insulation")
    shown = jobs.do("job", "show", "last")
    assert "VOID since" in shown
    assert "by winder: begun on the wrong machine" in shown
    listed = json.loads(jobs.do("job", "list", "--json"))
    assert (listed["status"], listed["verdict"]) == ("voided", "not applicable")
    assert "not applicable (void, by winder" in " ".join(jobs.do("job", "list").split())
    assert "voided already" in jobs.act("void", *WHY, code=2)
    assert "needs one that is" in jobs.act("sign-off", code=2)


def test_a_void_job_asks_for_no_more_and_needs_a_reason(jobs):
    jobs.start("three-pair-inductance")
    assert "--reason: say why" in jobs.act("void", "--reason", " ", code=2)
    assert "The whole is open until they are" in jobs.do("job", "show", "last")
    jobs.act("void", *WHY)
    assert "The whole is open" not in jobs.do("job", "show", "last")


def test_whoever_waits_for_a_signature_is_told_that_none_comes(jobs):
    jobs.start("three-pair-inductance")
    jobs.act("void", *WHY)
    said = jobs.do("job", "watch", "last", "--until", "signed-off", "--timeout", "5", code=2)
    assert "is void: begun on the wrong machine" in said
    jobs.do("job", "watch", "last", "--until", "finished", "--timeout", "5")


@pytest.fixture
def roles(jobs, config):
    """A bench where foremen alone may void, with one of them and a winder."""
    config.write_text(config.read_text() + '\n[jobs]\nvoid_roles = ["foreman"]\n')
    file = AccessFile(load_config(config).access_path)
    for name, role in (("Kim", "Foreman"), ("winder", "winder")):
        Operators(file).add(name, role, "no secret", ManualClock().utc())
    file.close()
    return jobs


def test_a_site_says_which_roles_may(roles):
    roles.start("three-pair-inductance")
    said = roles.act("void", *WHY, code=1)
    assert "only foreman may void a job" in said
    assert "has the role winder" in said
    said = roles.do("job", "void", "last", *WHY, "--operator", "stranger", code=1)
    assert "no role here" in said
    roles.do("job", "void", "last", *WHY, "--operator", "KIM")


def test_beginning_it_twice_is_refused_in_a_line_and_done_with_the_flag(jobs):
    first = jobs.start("three-pair-inductance")
    said = jobs.do("job", "start", "FAN-07", "three-pair-inductance", *OPERATOR, code=2)
    assert len(said.splitlines()) == 1
    assert first["job"] in said
    assert said.rstrip().endswith(": --beside")
    jobs.do("job", "start", "FAN-07", "three-pair-inductance", "--beside", *OPERATOR)
    assert len(jobs.do("job", "list", "--json").splitlines()) == 2


def test_the_list_tells_verdicts(jobs):
    jobs.start("three-pair-inductance")
    listed = json.loads(jobs.do("job", "list", "--json"))
    assert (listed["verdict"], listed["doubt"]) == ("inconclusive", "not run: inductance")
    assert "inconclusive (not run: inductance)" in " ".join(jobs.do("job", "list").split())
