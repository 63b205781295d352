"""The SCPI meter behind every SCPI driver: settings, freshness, text and blocks."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from capture.driver import Condition, Frame, Indication
from drivers.scpi.answers import (
    BlockFormat,
    read_block,
    read_format,
    read_setting,
)
from drivers.scpi.conversation import Conversation, Misfit, Question
from drivers.scpi.freshness import Freshness, Newness
from drivers.scpi.manners import Manners
from drivers.scpi.values import AnswerForm

FORMAT_QUERY = "FORM?"
BORDER_QUERY = "FORM:BORD?"


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting re-read with every value; ``unit`` is empty for words."""

    name: str
    query: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Function:
    """What answers hold while one function is on."""

    form: AnswerForm
    conditions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Plan:
    """What one instrument is asked, and how its answers are read.

    Attributes:
        query: what asks for the values.
        form: fields of an answer; None where the function tells.
        settings: re-read with every value.
        function_setting: which of them is the function; empty where there is none.
        functions: function as answered → what its answers hold.
        conditions: stored with every value.
    """

    query: str
    manners: Manners
    form: AnswerForm | None
    freshness: Freshness = field(default_factory=Freshness)
    settings: tuple[Setting, ...] = ()
    function_setting: str = ""
    functions: Mapping[str, Function] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)

    def messages(self) -> list[bytes]:
        """List every message that a meter with this plan may be sent."""
        texts = [self.query, *self.manners.messages(), *(each.query for each in self.settings)]
        if self.freshness.event_query:
            texts.append(self.freshness.event_query)
        texts += [FORMAT_QUERY, BORDER_QUERY]
        return [text.encode("ascii", "replace") for text in dict.fromkeys(texts)]


class ScpiMeter(Conversation):
    """Asks one SCPI meter for its values.

    Where settings can change at the front panel, they are read before and after each value, and a
    value counts only if they were the same: a number is never stored under settings that it was
    not measured with. The reading after one value serves as the reading before the next.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan_ = plan
        self._newness = Newness(plan.freshness)
        self._format: BlockFormat | None = None
        self._format_text = ""
        self._group = 0
        self._before: dict[str, Condition] | None = None
        self._now_read: dict[str, Condition] = {}
        self._held: Frame | None = None
        super().__init__(plan.manners)

    def restarted(self) -> None:
        """Forget settings, format and what was taken last."""
        self._newness.forget()
        self._format = None
        self._before = None
        self._now_read = {}
        self._held = None

    def cycle(self) -> Iterable[Question]:
        """Ask whether there is something new, then for the values, then for the settings."""
        plan = self._plan_
        questions = []
        if plan.settings and self._before is None:
            questions += self._ask_settings()
        if plan.freshness.event_query:
            questions.append(Question(plan.freshness.event_query, self._take_register))
        questions.append(Question(plan.query, self._take_value))
        if plan.settings:
            questions += self._ask_settings()
        return questions

    def _ask_settings(self) -> list[Question]:
        settings = self._plan_.settings
        last = settings[-1]
        return [
            Question(each.query, self._setting_taker(each, is_last=each is last))
            for each in settings
        ]

    def _setting_taker(self, setting: Setting, *, is_last: bool) -> Callable[[Frame, str], None]:
        def take(_frame: Frame, text: str) -> None:
            self._now_read[setting.name] = read_setting(text, setting.unit)
            if is_last:
                self._settings_are_read()

        return take

    def _settings_are_read(self) -> None:
        read, self._now_read = self._now_read, {}
        held, self._held = self._held, None
        same = read == self._before
        self._before = read
        if held is None:
            return
        if same:
            self._read(held, read)
        # Else somebody turned a setting meanwhile. The answer stays known as an old one: FETCh?
        # goes on giving it, under the new settings, until a new measurement is complete.

    def _take_register(self, _frame: Frame, text: str) -> None:
        try:
            events = int(text)
        except ValueError as error:
            raise Misfit("no event register") from error
        if not events >> self._plan_.freshness.event_bit & 1:
            self.cut_short()

    def _take_value(self, frame: Frame, _text: str) -> None:
        if frame.data[:1] == b"#" and frame.data[1:2].isdigit() and self._format is None:
            # A block, and nobody knows yet what is in it. FETCh? will give the values again.
            self.cut_short()
            self.ask_next(Question(BORDER_QUERY, self._take_border))
            self.ask_next(Question(FORMAT_QUERY, self._take_format))
            return
        if not self._newness.is_new(frame.data, self.now):
            self.cut_short()
            return
        if self._plan_.settings:
            self._held = frame
        else:
            self._read(frame, {})

    def _take_format(self, _frame: Frame, text: str) -> None:
        self._format_text = text

    def _take_border(self, _frame: Frame, text: str) -> None:
        self._format = read_format(self._format_text, text)
        self.again()

    def _read(self, frame: Frame, settings: Mapping[str, Condition]) -> None:
        plan = self._plan_
        form, more = plan.form, dict[str, Condition](plan.conditions)
        more.update(settings)
        if form is None:
            name = str(settings[plan.function_setting])
            function = plan.functions.get(name)
            if function is None:
                raise Misfit(f"function {name!r} is not listed in the profile")
            form = function.form
            more.update(function.conditions)
        self._group += 1
        for indication in self._indications(frame, form, more):
            self.tell(indication)

    def _indications(
        self, frame: Frame, form: AnswerForm, conditions: Mapping[str, Condition]
    ) -> list[Indication]:
        data = frame.data
        if data[:1] == b"#" and data[1:2].isdigit():
            if self._format is None:
                raise Misfit("a block in a format that is text")
            try:
                values = read_block(data, self._format, form.fields[0].shown_unit())
            except Misfit:
                self._format = None  # perhaps the format was changed: ask again
                raise
            return form.read_values(values, frame.raw, conditions, self._group)
        if not data.isascii():
            raise Misfit("not ASCII")  # what begins with # was not looked at before
        return form.read_text(data.decode("ascii"), frame.raw, conditions, self._group)
