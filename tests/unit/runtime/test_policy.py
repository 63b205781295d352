"""Which messages pass, and which are held back."""

import pytest

from capture.errors import PolicyError
from capture.runtime.policy import HARMLESS, MessagePolicy, not_allowed

# SCPI-99 volume 1 §6: short and long form, any case, a leading colon; IEEE 488.2 §7 white space.
PASSES = [
    b"*IDN?",
    b"*idn?\n",
    b"*IDN?\r\n",
    b" *IDN? ",
    b"FETC?",
    b"FETCh?",
    b"FETCH?",
    b"fetch?\n",
    b":FETC?",
    b"FETC:RES?",
    b"FETCh:SCALar:RESistance?",
    b"FETC:IMP2?",
    b"SYST:ERR?",
    b"SYSTem:ERRor?",
    b"system:error:next?",
    b":SYST:ERR:COUN?",
    b"SYST:VERS?",
    b"*OPC?",
    b"*CLS",
    b"*IDN?;*OPT?",
    b"*IDN?; :SYST:ERR? ;FETC?\n",
    b"*STB?;*ESR?\n*IDN?\n",
]

HELD_BACK = [
    b"READ?",
    b"read?\n",
    b":READ?",
    b"INIT",
    b"INITiate:IMMediate",
    b"*TRG",
    b"*RST",
    b"*OPC",
    b"*WAI",
    b"MEAS?",
    b"MEASure:RESistance?",
    b"CONF:RES",
    b"SOUR:VOLT 500",
    b"OUTP ON",
    b"SYST:REM",
    b"SYST:ERR",
    b"SYST",
    # compound messages
    b"*IDN?;READ?",
    b"READ?;*IDN?",
    b"FETC?;INIT",
    b"*IDN?;:INIT",
    b";;READ?",
    b"SYST:ERR?;:READ?",
    # line ends and NUL in the middle
    b"*IDN?\nREAD?\n",
    b"*IDN?\rINIT\r",
    b"*IDN?\r\n\r\n*TRG",
    b"*IDN?\0READ?",
    b"FETC?\nOUTP ON;*IDN?",
    b"FETC?\x0bREAD?",
    b"FETC?\x1fREAD?",
    # quotes do not hide anything
    b'FETC?;"x;READ?',
    b'"FETC?',
    b"*IDN?;'\nREAD?\n'",
    b'FETC? "a"\nINIT',
    # what only begins or ends like an allowed message
    b"FETC",
    b"FETCHER?",
    b"FETC?READ?",
    b"FETC? 1",
    b"FETC??",
    b"FETCx?",
    b"FETC:?READ?",
    b"FETC:RES ON?",
    b"XFETC?",
    b"READ:FETC?",
    b"INIT:FETC?",
    b"FET?",
    b"*IDN",
    b"*IDN? *TRG",
    b"SYSTE:ERR?",
    b"SYST:ERRO?",
    b"SYST:ERR2?",
    b"**IDN?",
    # relative paths: the part after the semicolon is another header to the instrument
    b"SYST:ERR?;REM",
    b"FETC:RES?;VOLT 500",
    b"FETC:RES?;:OUTP ON",
    # bytes outside ASCII
    b"*IDN?\xff",
    "FETC\N{LATIN CAPITAL LETTER E WITH ACUTE}?".encode(),
    "ＦＥＴＣ?".encode(),
    b"\xa0*IDN?",
    b"\x80",
    # nothing to be found on a list
    b"\x05",
    b"\x1b",
    b"#15READ?",
    b"*IDN?;" * 300 + b"*IDN?",
    # what is empty still ends or starts something at the other end
    b"\n",
    b"\r",
    b"",
    b"\0",
    b" ; ;\n",
]


@pytest.mark.parametrize("message", PASSES)
def test_a_query_that_starts_nothing_passes(message):
    assert MessagePolicy().refused(message) is None
    MessagePolicy().check(message)


@pytest.mark.parametrize("message", HELD_BACK)
def test_everything_else_is_held_back(message):
    assert MessagePolicy().refused(message) is not None
    with pytest.raises(PolicyError, match="is not on this instrument's list and was not sent"):
        MessagePolicy().check(message)


@pytest.mark.parametrize("message", HELD_BACK)
def test_a_refusal_is_one_printable_line(message):
    with pytest.raises(PolicyError) as caught:
        MessagePolicy().check(message)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("allow", "message"),
    [
        ("READ?", b"READ?\n"),
        ("READ?", b"read?"),
        ("READ?", b":READ?"),
        ("READ?", b"*IDN?;READ?;FETC?"),
        ("INITiate", b"INIT"),
        ("INITiate", b"initiate\n"),
        ("CONFigure:RESistance", b"CONF:RES"),
        ("CONFigure:RESistance", b":configure:resistance"),
        ("SENS:FUNC 'RES'", b"SENS:FUNC 'RES'\n"),
        ("SENS:FUNC 'RES'", b"SENS:FUNC   'RES'"),
        ("SENS:FUNC 'RES'", b"*CLS;SENS:FUNC 'RES'"),
        ("  READ?  ", b"READ?"),
        ("\x05", b"\x05"),
        ("D\r", b"D\r"),
        ("µ?", "µ?".encode("latin-1")),
        ("DISP:TEXT 'a;b'", b"DISP:TEXT 'a;b'"),
        ("DISP:TEXT 'a;b'", b"*CLS;DISP:TEXT 'a;b';*CLS"),
        ("INIT;FETC?", b"INIT;FETC?"),
    ],
)
def test_what_a_person_allowed_passes(allow, message):
    assert MessagePolicy().refused(message) is not None
    assert MessagePolicy([allow]).refused(message) is None


@pytest.mark.parametrize(
    ("allow", "message"),
    [
        ("READ?", b"READ? 1"),
        ("READ?", b"READ"),
        ("READ?", b"READ?;INIT"),
        ("READ?", b"READ:RES?"),
        ("INITiate", b"INITIA"),
        ("INITiate", b"INIT:CONT ON"),
        ("INITiate", b"INIT ON"),
        ("SENS:FUNC 'RES'", b"SENS:FUNC 'VOLT'"),
        ("SENS:FUNC 'RES'", b"sens:func 'res'"),
        ("SENS:VOLT 5", b"SENS:VOLT 500"),
        ("SENS:VOLT 50", b"SENS:VOLT 5 0"),
        ("INIT;FETC?", b"INIT"),
        # Allowed as one message of two words; cut in two it is another message.
        ("MODE READ?", b"MODE\nREAD?"),
        ("MODE INIT", b"MODE\r\nINIT\n"),
        ("MODE INIT", b"MODE \0INIT"),
        ("DISP:TEXT 'INIT'", b"DISP:TEXT '\nINIT\n'"),
    ],
)
def test_what_is_allowed_allows_nothing_more(allow, message):
    assert MessagePolicy([allow]).refused(message) is not None


def test_the_refusal_names_the_part_and_the_line_that_would_allow_it():
    with pytest.raises(PolicyError, match=r'may add allow = \["READ\?"\]'):
        MessagePolicy().check(b"*IDN?;READ?\n")
    with pytest.raises(PolicyError) as caught:
        MessagePolicy().check(b'DISP:TEXT "a\\b"')
    assert 'allow = ["DISP:TEXT \\"a\\\\b\\""]' in str(caught.value)


def test_the_messages_of_a_driver_are_looked_through_beforehand():
    assert not_allowed([b"*IDN?", b"READ?", b"FETC?", b"INIT;*TRG"], []) == ["READ?", "INIT"]
    assert not_allowed([b"*IDN?", b"READ?"], ["READ?"]) == []


def test_nothing_on_the_default_list_can_start_anything():
    """Safety: a message that measures, triggers, outputs or configures is never on it."""
    for text in HARMLESS:
        assert text.endswith("?") or text == "*CLS"
        head = text.upper().lstrip(":*")
        assert not head.startswith(("READ", "MEAS", "INIT", "TRIG", "OUTP", "SOUR", "CONF", "TRG"))
