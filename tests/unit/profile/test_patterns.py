"""Which patterns may take hours over one line, and which only look so."""

import re

import pytest

from capture.driver import parse_profile
from capture.driver.profile.patterns import may_not_end
from capture.errors import ConfigError


@pytest.mark.parametrize(
    "pattern",
    [
        "([0-9]+)+",
        "(?:[0-9]*)*x",
        "([0-9]+,?)+",
        "([0-9]{1,3}){2,}",
        "(a{,5})*",
        "(a{2,}){,}",
        "(?P<value>([0-9.]+)*)",
        "((a+)b)*",
        "(a+?)+?",
        "(x|a+)+",
        "(?=(a+)+)",
        "(?i)(a+)+",
        "(?x) ( a + ) + # (",
        "(?x) ( a # )\n + ) +",
        r"([]a]+)+",
        r"(\)+)+",
        r"(\N{DEGREE SIGN}+)*",
        "(?#(a)(b+)+",
        "#(a+)+",
        "(a)(?(1)(b+)+|c)",
        "((?>a+)b+)+",
    ],
)
def test_a_repeat_in_a_repeat_without_end_is_seen(pattern):
    re.compile(pattern)
    assert may_not_end(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        "",
        "R +(?P<value>[-+]?[0-9.]+|OL|---+)( +(?P<unit>[mkM]?Ohm))?",
        "([0-9]++)+",
        "([0-9]+)++",
        "(?>[0-9]+)+",
        "([0-9]*+,)*",
        "(?:[^,]*,){5}x",
        "([0-9]{3})+",
        "(-?[0-9])+",
        "(a{,1})+",
        r"(\+)+",
        "([+*])+",
        r"([\]+])+",
        "([]+])+",
        "(a{x,})+",
        "(a{})+",
        r"\(a+\)+",
        "(a+)(b)+",
        "(?x) (a # b+\n)+",
        "(?#a+)(b)+",
        "(?P<a>x)+(?P=a)+",
    ],
)
def test_all_others_pass(pattern):
    re.compile(pattern)
    assert not may_not_end(pattern)


def test_a_profile_with_such_a_pattern_is_refused_with_what_to_do():
    text = """
schema_version = 1
name = "endless"
summary = "made for this test"
driver = "ascii-meter"
[[lines]]
pattern = 'R (?P<value>([0-9]+)+) (?P<unit>Ohm)'
quantity = "resistance"
"""
    with pytest.raises(ConfigError) as caught:
        parse_profile(text, "endless.toml")
    (fault,) = caught.value.faults
    assert fault.startswith("endless.toml: lines[0].pattern: ")
    assert "++ for +" in fault
    parse_profile(text.replace("]+)+", "]++)+"), "endless.toml")
