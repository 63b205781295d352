"""The SCPI device by IEEE 488.2-1992 and SCPI-99; clauses cited from memory of both texts."""

import pytest

from simulators.scpi import ScpiDevice
from simulators.scpi_answers import Pending
from simulators.scpi_errors import ErrorQueue, ScpiError
from simulators.scpi_syntax import block, boolean, choice, nr3, numeric, spellings

IDENTITY = "MAKER,MODEL,0,1.0"


@pytest.fixture
def device():
    return ScpiDevice(IDENTITY)


def ask(device, text, now=0.0):
    return device.received(text.encode() + b"\n", now).decode()


def errors(device):
    found = []
    while (entry := ask(device, "SYST:ERR?").strip()) != '0,"No error"':
        found.append(int(entry.partition(",")[0]))
    return found


def test_idn_has_four_fields(device):
    """IEEE 488.2 §10.14: manufacturer, model, serial number, firmware."""
    assert ask(device, "*IDN?") == IDENTITY + "\n"
    assert len(IDENTITY.split(",")) == 4


def test_power_on_bit_is_read_once(device):
    """IEEE 488.2 §11.5.1.1.2: PON is bit 7; reading clears the register (§11.5.1.2)."""
    assert ask(device, "*ESR?") == "128\n"
    assert ask(device, "*ESR?") == "0\n"


def test_power_cycle_is_seen_through_pon(device):
    ask(device, "*ESR?")
    assert device.command("power-cycle", 1.0).startswith("ok: ")
    assert ask(device, "*ESR?") == "128\n"


@pytest.mark.parametrize(
    "text",
    [
        "SYSTem:ERRor?",
        "SYST:ERR?",
        "syst:err?",
        "System:Error:Next?",
        ":SYST:ERROR?",
        "SYST1:ERR1?",
        "  SYST:ERR? ",
        "SYST:ERR?\r",
    ],
)
def test_long_and_short_forms(device, text):
    """SCPI-99 vol. 1 §6.2.1: long or short form, any case; a missing suffix is 1 (§6.2.5.2)."""
    assert ask(device, text) == '0,"No error"\n'


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("SYSTE:ERR?", -113),  # neither the long nor the short form
        ("NONSENSE", -113),
        ("SYST:ERR", -113),  # it has no command form
        ("SYST2:ERR?", -114),
        ("*IDN? 1", -108),
        ("*ESE", -109),
        ("*ESE abc", -104),
        ("*ESE 256", -222),
        ("*ESE 1,2", -108),
        ("VERYLONGMNEMONIC", -112),  # above 12 characters, IEEE 488.2 §7.6.1.4.1
        ("SYST::ERR?", -102),
        ("SY&ST?", -101),
        ("\xffIDN?", -101),
        ('STAT:PRES "open', -151),
        ("*IDN?;*OPC?", -440),
    ],
)
def test_errors_have_the_standard_codes(device, text, code):
    """SCPI-99 vol. 2 §21.8."""
    device.received(text.encode("latin-1") + b"\n", 0.0)
    assert errors(device) == [code]


@pytest.mark.parametrize(("text", "bit"), [("NONSENSE", 32), ("*ESE 256", 16), ("*IDN?;*OPC?", 4)])
def test_errors_set_their_event_bit(device, text, bit):
    """SCPI-99 vol. 2 §21.8: classes -1xx CME (5), -2xx EXE (4), -4xx QYE (2)."""
    ask(device, "*CLS")
    ask(device, text)
    assert ask(device, "*ESR?") == f"{bit}\n"


def test_compound_message_answers_in_one_line(device):
    """IEEE 488.2 §8.4.1: response message units are joined by semicolons."""
    assert ask(device, "*ESE?;*SRE?;*OPC?") == "0;0;1\n"


def test_compound_path(device):
    """SCPI-99 vol. 1 §6.2.4: relative to the path before; `:` is the root; `*` changes nothing."""
    assert ask(device, "STAT:OPER:ENAB 4;*ESE?;ENAB?;:STAT:QUES:ENAB?") == "0;4;0\n"
    assert errors(device) == []
    assert ask(device, "STAT:OPER:ENAB?;STAT:OPER:ENAB?") == "4\n"
    assert errors(device) == [-113]


def test_rest_of_message_is_skipped_after_a_command_error(device):
    assert ask(device, "*ESE 5;NONSENSE;*ESE 6") == ""
    assert ask(device, "*ESE?") == "5\n"


def test_execution_error_skips_nothing(device):
    assert ask(device, "*ESE 999;*ESE 6;*ESE?") == "6\n"


def test_error_queue_is_first_in_first_out_and_overflows_at_its_end():
    """SCPI-99 vol. 2 §21.8.1: the last entry is replaced by -350."""
    queue = ErrorQueue(size=3)
    for code in (-101, -102, -104, -109, -113):
        queue.put(code)
    assert [queue.take() for _ in range(4)] == [
        '-101,"Invalid character"',
        '-102,"Syntax error"',
        '-350,"Queue overflow"',
        '0,"No error"',
    ]


def test_device_overflows_and_clears(device):
    for _ in range(30):
        ask(device, "NONSENSE")
    assert ask(device, "SYST:ERR:COUN?") == "10\n"
    found = errors(device)
    assert found == [-113] * 9 + [-350]
    ask(device, "NONSENSE")
    ask(device, "*CLS")
    assert errors(device) == []


def test_quotes_in_an_error_are_doubled():
    """IEEE 488.2 §8.7.8: a quote inside string response data is doubled."""
    queue = ErrorQueue()
    queue.put(-113, 'A"B')
    assert queue.take() == '-113,"Undefined header;A""B"'


def test_status_byte(device):
    """SCPI-99 vol. 1 §9.1: bit 2 error queue, 5 ESB, 6 MSS by the enable register."""
    ask(device, "*CLS;*ESE 32;*SRE 32")
    assert ask(device, "*STB?") == "0\n"
    ask(device, "NONSENSE")
    assert ask(device, "*STB?") == f"{4 + 32 + 64}\n"
    assert device.status_byte(message_available=True) == 4 + 16 + 32 + 64


def test_operation_summary(device):
    ask(device, "STAT:OPER:ENAB 16")
    device.operation.set_condition(16)
    assert ask(device, "*STB?") == "128\n"
    assert ask(device, "STAT:OPER:COND?;EVEN?;EVEN?") == "16;16;0\n"
    device.operation.set_condition(16)
    assert ask(device, "STAT:OPER?") == "0\n"  # latched when it rises only


def test_input_buffer_overrun(device):
    """-363, and the line after it is read as usual."""
    assert device.received(b"A" * 3000, 0.0) == b""
    assert device.received(b"A" * 3000 + b"\n*OPC?\n", 0.0) == b"1\n"
    assert errors(device) == [-363]


@pytest.mark.parametrize("size", [1, 2, 3, 7])
def test_any_chunking_gives_the_same_answers(size):
    text = b"*ESE 12;*ESE?\nNONSENSE\r\n\n:SYST:ERR?;*IDN?\n"
    whole = ScpiDevice(IDENTITY).received(text, 0.0)
    device = ScpiDevice(IDENTITY)
    parts = [text[at : at + size] for at in range(0, len(text), size)]
    assert b"".join(device.received(part, 0.0) for part in parts) == whole
    assert whole == b'12\n-113,"Undefined header;NONSENSE";' + IDENTITY.encode() + b"\n"


@pytest.fixture
def slow():
    """A device with a query that takes a second, and an overlapped command of two."""
    device = ScpiDevice(IDENTITY)
    busy = {"until": 0.0}
    device.add("SLOW?", lambda _p, now: Pending(now + 1.0, lambda _now: "done"))

    def start(_parameters, now):
        busy["until"] = now + 2.0

    device.add("STARt", start)
    device.busy_until = lambda now: max(now, busy["until"])
    return device


def test_late_answer_comes_when_it_is_ready(slow):
    assert ask(slow, "SLOW?;*ESE?", 10.0) == ""
    assert slow.wake_at() == 11.0
    assert slow.spoken(10.9) == b""
    assert slow.spoken(11.0) == b"done;0\n"
    assert slow.wake_at() is None


def test_new_message_interrupts_a_pending_answer(slow):
    """IEEE 488.2 §6.3.2.3: the answer is discarded, -410 is queued, the new message executed."""
    ask(slow, "SLOW?", 0.0)
    assert ask(slow, "*ESE?", 0.5) == "0\n"
    assert slow.spoken(5.0) == b""
    assert errors(slow) == [-410]


def test_reading_without_a_query_is_unterminated(slow):
    """IEEE 488.2 §6.3.2.2: -420; but a pending answer is no error."""
    slow.unterminated()
    assert errors(slow) == [-420]
    ask(slow, "SLOW?", 0.0)
    slow.unterminated()
    assert slow.spoken(1.0) == b"done\n"
    assert errors(slow) == []


def test_opc_query_waits_and_opc_sets_its_bit(slow):
    """IEEE 488.2 §10.18, §10.19."""
    ask(slow, "*CLS;STAR;*OPC", 0.0)
    assert ask(slow, "*ESR?", 1.0) == "0\n"
    assert ask(slow, "*ESR?", 2.0) == "1\n"
    assert ask(slow, "STAR;*OPC?", 3.0) == ""
    assert slow.spoken(5.0) == b"1\n"


def test_wai_holds_the_next_unit(slow):
    """IEEE 488.2 §12.8.1."""
    assert ask(slow, "STAR;*WAI;*ESE?", 0.0) == ""
    assert slow.spoken(2.0) == b"0\n"


def test_device_clear_forgets_input_and_output(slow):
    """IEEE 488.2 §5.8: settings and errors stay."""
    ask(slow, "*ESE 8;NONSENSE")
    slow.received(b"SLOW?\n*ES", 0.0)
    slow.clear_bus()
    assert slow.spoken(9.0) == b""
    assert ask(slow, "*ESE?", 9.0) == "8\n"
    assert errors(slow) == [-113]


def test_carriage_return_may_end_both_ways():
    device = ScpiDevice(IDENTITY, terminator=b"\r")
    assert device.received(b"*OPC?\r", 0.0) == b"1\r"


def test_spellings():
    assert set(spellings("FORMat[:DATA]?")) == {"FORM?", "FORMAT?", "FORM:DATA?", "FORMAT:DATA?"}
    assert set(spellings("[SENSe:]FUNC")) == {"FUNC", "SENS:FUNC", "SENSE:FUNC"}


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12", "", 12.0),
        ("+.5", "", 0.5),
        ("1.E+3", "", 1000.0),
        ("1e3", "HZ", 1000.0),
        ("1 KHZ", "HZ", 1000.0),
        ("1MHZ", "HZ", 1e6),  # SCPI-99 vol. 1 §7.3.1: mega with HZ and OHM
        ("2 MOHM", "OHM", 2e6),
        ("2 MV", "V", 2e-3),
        ("MIN", "", -1e9),
        ("maximum", "", 1e9),
    ],
)
def test_numeric_parameters(text, unit, value):
    """IEEE 488.2 §7.7.2 (NRf) and SCPI-99 vol. 1 §7.2 and §7.3."""
    assert numeric(text, unit, least=-1e9, most=1e9) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "code"), [("1 V", -131), ("x", -104), ("1e99", -222), ("--1", -104), ("", -104)]
)
def test_wrong_numeric_parameters(text, code):
    with pytest.raises(ScpiError) as caught:
        numeric(text, "HZ", least=0, most=1e9)
    assert caught.value.code == code


def test_booleans_and_choices():
    assert [boolean(text) for text in ("ON", "off", "1", "0", "0.4", "2")] == [
        True, False, True, False, False, True,
    ]  # fmt: skip
    assert choice("asc", ("ASCii", "REAL")) == "ASC"
    with pytest.raises(ScpiError) as caught:
        choice("HEX", ("ASCii", "REAL"))
    assert caught.value.code == -224


def test_response_forms():
    """IEEE 488.2 §8.7.4 (NR3), §8.7.9 (definite length block)."""
    assert nr3(0.4123) == "+4.12300E-01"
    assert nr3(9.9e37) == "+9.90000E+37"
    assert block(b"abc\n") == b"#14abc\n"
    assert block(b"x" * 12) == b"#212" + b"x" * 12


def test_hand_says_what_it_does_not_know(device):
    answer = device.command("dance", 0.0)
    assert answer.startswith("no: unknown command 'dance'; known: ")
    assert "\n" not in answer
