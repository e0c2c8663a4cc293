"""One table of a site file, read key by key, by the bounds and examples that ``keys`` declares.

Each getter asks for one key, notes a problem with its place when the value is missing or wrong, and returns a
value of its type in any case, so that one pass finds every problem: ``wrong`` names the keys whose values are such
stand-ins, and what was built from a table that ``failed`` is no part of a site. ``finish`` finds the keys nobody
asked for.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from difflib import get_close_matches
from fractions import Fraction
from pathlib import PurePath
from typing import Any, TypeVar

from sidetap.quantity import (
    NS_PER_MS,
    NS_PER_S,
    Dimension,
    Rounding,
    odd_characters,
    parse_quantity,
    round_fraction,
)
from sidetap.site.document import Document
from sidetap.site.keys import (
    KEYS,
    SAME_KEYS,
    Choice,
    Duration,
    Form,
    Key,
    Length,
    Many,
    Number,
    Quantity,
    Reference,
    Text,
    Texts,
    TimeOfDay,
    Whole,
    WordOrInner,
)
from sidetap.site.keys.tree import DECIDING
from sidetap.site.places import Path
from sidetap.site.problem import Problem, Severity

LONGEST_TEXT = 400
FIRST_YEAR, LAST_YEAR = 2000, 2099  # of statements about a running yard
MOST_TABLES = 1000  # of one kind: twice the inputs of a yard of 32 bays
MOST_UNKNOWN = 200  # keys told one by one
_TAG = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
_TIME_OF_DAY = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")
RESERVED_TAGS = (  # names of the scheme's own: first words of its names, and its causes
    *("site", "alarm", "judge", "stored"),
    *("bad", "below-trip", "close-key", "interrupted", "late", "limit", "locked-out", "no-time", "not-on-ticket"),
    *("old", "open", "other-valve", "own-valve", "panel-lost", "product", "restarts", "selector", "starting"),
    *("switches", "ticket", "trip", "vessel-locked", "wait", "window"),
)

_PLACEHOLDERS = ("tbd", "todo", "n/a", "na", "none", "nobody", "name", "unknown", "xxx")
_INCHES = re.compile(r"\b(in|ft)\b")  # these come out between tenths of a millimetre

_F = TypeVar("_F", bound=Form)


class Table:
    """A table at a path of a document; kind is its name without indexes, where its name for people."""

    def __init__(
        self, document: Document, path: Path, kind: str, where: str, values: dict[str, Any], parent: Table | None
    ) -> None:
        self.document, self.path, self.kind, self.where = document, path, kind, where
        self.values, self.parent = values, parent
        self.absent = False  # not in the file, and reported as missing itself
        self.wrong: set[str] = set()  # keys whose values are stand-ins: "trip.below"; "" for the table itself
        self._asked: list[str] = []

    @classmethod
    def root(cls, document: Document) -> Table:
        """Return the top table of a document."""
        return cls(document, (), "", "", document.values, None)

    @property
    def failed(self) -> bool:
        """Whether anything here or inside could not be read."""
        return bool(self.wrong)

    # -- problems ------------------------------------------------------------------------------------------------

    def error(self, key: str, problem: str, remedy: str, *inside: int | str) -> None:
        """Note an error at a key, or deeper at "key.key"; at the table's header when the key isn't there.

        inside: the way on from there to what is wrong: the number of a list's member, a key of that.
        """
        self._note(Severity.ERROR, key, problem, remedy, *inside)
        self._fail(key)

    def error_at_key(self, key: str, problem: str, remedy: str) -> None:
        """Note an error at a key itself, where that and not its value is wrong."""
        place = self.document.place_of_key((*self.path, key))
        self.document.add(Severity.ERROR, place, self._name(key), problem, remedy)
        self._fail(key)

    def error_in(self, file: str, place: tuple[int, int], key: str, problem: str, remedy: str) -> None:
        """Note an error in another file that a key names."""
        self.document.problems.append(Problem(Severity.ERROR, file, *place, self._name(key), problem, remedy))
        self._fail(key)

    def _fail(self, key: str) -> None:
        table: Table | None = self
        while table is not None:
            table.wrong.add(key)
            name = next((str(part) for part in reversed(table.path) if isinstance(part, str)), "")
            key = f"{name}.{key}" if key else name
            table = table.parent

    def warning(self, key: str, problem: str, remedy: str, *inside: int | str) -> None:
        """Note a warning, placed like an error."""
        self._note(Severity.WARNING, key, problem, remedy, *inside)

    def warning_in(self, file: str, place: tuple[int, int], key: str, problem: str, remedy: str) -> None:
        """Note a warning in another file that a key names."""
        self.document.problems.append(Problem(Severity.WARNING, file, *place, self._name(key), problem, remedy))

    def _note(self, severity: Severity, key: str, problem: str, remedy: str, *inside: int | str) -> None:
        path, here = self.path, self.values
        for name in [key] if key in here else key.split("."):
            if not isinstance(here, dict) or name not in here:
                break
            path, here = (*path, name), here[name]
        self.document.add(severity, self.document.place_of_value((*path, *inside)), self._name(key), problem, remedy)

    def line_of(self, key: str) -> int:
        """Return the line of a key's value, "key.key" where it is deeper."""
        return self.document.place_of_value((*self.path, *key.split(".")))[0]

    def _name(self, key: str) -> str:
        return ".".join(part for part in (self.where, shorten(key)) if part) or "site file"

    def judge_rest(self) -> None:
        """Read what stands here by its form alone, where the word that decides which keys belong here isn't known."""
        readers: dict[type[Form], Callable[[str], object]] = {
            Text: self.text,
            Reference: self.text,
            Choice: self.choice,
            Whole: self.whole,
            Number: self.number,
            Quantity: self.quantity,
            Length: self.length_01mm,
            Duration: self.duration_ns,
            TimeOfDay: self.minute_of_day,
            Texts: self.texts,
            WordOrInner: self.word_or_table,
        }
        for key in self.unknown():
            declared = KEYS.get(f"{self.kind}.{key}")
            if declared is not None and type(declared.form) in readers:
                found = readers[type(declared.form)](key)
                if isinstance(found, Table):  # an end with its sizes
                    found.choice("form")
                    found.judge_rest()

    def finish(self) -> None:
        """Note every key that nothing here asks for."""
        unknown = self.unknown()
        if len(unknown) > MOST_UNKNOWN:
            self.error("", f"{len(unknown)} unknown keys; the first {MOST_UNKNOWN} follow", "Is this a site file?")
        for key in unknown[:MOST_UNKNOWN]:
            nearest: list[str] = []
            if self.document.suggestions_left > 0 and len(key) <= 40:
                self.document.suggestions_left -= 1
                nearest = get_close_matches(key, self._asked, 1)
            problem = "no such key"
            remedy = f"Did you mean {nearest[0]}?" if nearest else f"Keys here are {', '.join(self._asked)}."
            if isinstance(self.values[key], dict) and self.parent is not None and not self.parent.kind:
                remedy = f'One more of them is [[{self.kind}]] with tag = "{shorten(key)}".'
            if self.parent is not None and f"{self.parent.kind}.{key}" in KEYS:
                above = self.parent.kind or "the top of the file"
                header = self.path[-1]
                remedy = (
                    f"It belongs to {above}: lines under a [... {header}] header are part of that; write it above."
                )
            declared = KEYS.get(f"{self.kind}.{key}")
            decides = next((name for name in DECIDING if name in self.values), None)
            if declared is not None and declared.only and decides is not None:
                problem = f"no such key with {decides} = {shorten(repr(self.values[decides]))}"
                remedy = f"It belongs to {', '.join(declared.only)}; leave it out, or change {decides}."
            place = self.document.place_of_key((*self.path, key))
            self.document.add(Severity.ERROR, place, self._name(key), problem, remedy)

    # -- one key -------------------------------------------------------------------------------------------------

    def has(self, key: str) -> bool:
        """Return whether an optional key is there."""
        self._ask(key)
        return key in self.values

    def unknown(self) -> list[str]:
        """Return the keys that nothing here has asked for."""
        return [key for key in self.values if key not in self._asked]

    def asked(self, key: str) -> bool:
        """Return whether a key has been looked for: whether it belongs here."""
        return key in self._asked

    def example(self, key: str) -> str:
        """Return how a key is written, for a remedy."""
        return self._declared(key).example

    def file_name(self, key: str) -> str:
        """Return the name of a file beside this one, or in a folder beside it; it is not opened here."""
        name = self.text(key)
        if name and (PurePath(name).is_absolute() or ".." in PurePath(name).parts or "\\" in name):
            self.error(key, f"{shorten(name)!r} is not beside this file", "Keep the site's files in one folder.")
            return ""
        return name

    def remedy(self, key: str) -> str:
        """Return what to do where a key is missing or says nothing."""
        return self._declared(key).remedy

    def text(self, key: str) -> str:
        """Return a text that isn't blank."""
        value = self._get(key)
        if value is None:
            return ""
        if not isinstance(value, str):
            self._wrong_type(key, value, "text")
            return ""
        problem = _unfit(value)
        if problem:
            declared = self._declared(key)
            like = f"Write 1 to {LONGEST_TEXT} printable characters, like {declared.example}."
            self.error(key, problem, declared.remedy or like)
            return ""
        return value

    def tag(self) -> str:
        """Return the table's tag: letters, digits, - and _."""
        tag = self.text("tag")
        if tag and (_TAG.fullmatch(tag) is None or tag in RESERVED_TAGS):
            reason = "is a name of the scheme's own" if tag in RESERVED_TAGS else "is no tag"
            like = self._declared("tag").example.strip('"')
            self.error("tag", f"{shorten(tag)!r} {reason}", f"Use up to 32 letters, digits, - and _: {like}.")
        return tag

    def choice(self, key: str) -> str:
        """Return one of the words that the key takes, "" where there is none of them."""
        form = self._form(key, Choice)
        value = self.text(key)
        if value and value not in form.options:
            self.unknown_word(key, value, form.options)
            return ""
        return value

    def unknown_word(self, key: str, word: str, options: Sequence[str]) -> None:
        """Note a word that is none of the options."""
        same = [option for option in options if option.casefold() == word.casefold()]
        nearest = same or get_close_matches(word[:60], options, 1, 0.8)
        hint = f" Did you mean {nearest[0]}?" if nearest else ""
        self.error(key, f"{shorten(word)!r} is not known here", f"Write one of {', '.join(options)}.{hint}")

    def whole(self, key: str) -> int:
        """Return a whole number within its bounds."""
        form = self._form(key, Whole)
        value = self._get(key)
        if value is None:
            return form.low
        if isinstance(value, bool) or not isinstance(value, int):
            self._wrong_type(key, value, "a whole number")
            return form.low
        if not form.low <= value <= form.high:
            like = self._declared(key).example
            problem = f"{shorten(str(value))} is outside {form.low}..{form.high}"
            self.error(key, problem, f"Write {key} = {like} or what fits.")
            return form.low
        return value

    def number(self, key: str) -> Fraction:
        """Return a number, exactly; its default when the key may be left out and is."""
        declared = self._declared(key)
        if declared.default and not self.has(key):
            return Fraction(declared.default)
        value = self._get(key)
        if value is None:
            return Fraction(0)
        if isinstance(value, bool) or not isinstance(value, int | Fraction):
            self._wrong_type(key, value, "a number of everyday size")
            return Fraction(0)
        return Fraction(value)

    def quantity(self, key: str) -> Fraction:
        """Return a quantity in SI within its bounds."""
        form = self._form(key, Quantity)
        return self._bounded(key, form.dimension, form.low, form.high)

    def quantity_range(self, key: str, dimension: Dimension, like: tuple[str, str]) -> tuple[Fraction, Fraction]:
        """Return [lowest, highest] in SI."""
        texts = self.texts(key)
        if len(texts) != 2:
            if texts:
                self.error(key, f"{len(texts)} values where two are needed", f"Write {key} = {_list(like)}.")
            return Fraction(0), Fraction(0)
        low, high = (self._parsed(key, text, dimension, f'"{like[1]}"') for text in texts)
        if low is None or high is None:
            return Fraction(0), Fraction(0)
        if low >= high:
            self.error(key, f"{texts[0]} is not below {texts[1]}", "Write the lower one first.")
        return low, high

    def duration_ns(self, key: str) -> int:
        """Return a duration in ns, of whole ms, or of whole seconds where the key says so; its default without it."""
        form, default = self._form(key, Duration), self._declared(key).default
        if default and not self.has(key):
            return int(parse_quantity(default.strip('"'), Dimension.TIME) * NS_PER_S)
        ns = self._bounded(key, Dimension.TIME, form.low, form.high) * NS_PER_S
        if ns % NS_PER_MS:
            self.error(key, f"{self.values[key]} is not a whole number of ms", "The scheme counts in ms; round it.")
        elif form.whole_seconds and ns % NS_PER_S:
            self.error(key, "not a whole number of seconds", "Round it to a second, to the safe side.")
        return int(ns)

    def length_01mm(self, key: str) -> int:
        """Return a length in whole 0.1 mm, to the nearest."""
        form = self._form(key, Length)
        length_m = self._bounded(key, Dimension.LENGTH, form.low, form.high)
        if (length_m * 10_000).denominator != 1 and not _INCHES.search(self.values[key]):
            self.error(key, f"{self.values[key]} is finer than 0.1 mm", "Levels are kept in whole 0.1 mm; round it.")
        return round_fraction(length_m * 10_000, Rounding.NEAREST)

    def day(self, key: str) -> date:
        """Return a date."""
        value = self._get(key)
        if value is None:
            return date.min
        if isinstance(value, datetime) or not isinstance(value, date):
            self._wrong_type(key, value, "a date")
            return date.min
        if not FIRST_YEAR <= value.year <= LAST_YEAR:
            self.error(key, f"{value} is no day on which this was done", "Check the year.")
        return value

    def minute_of_day(self, key: str) -> int:
        """Return a time of day in minutes since midnight."""
        value = self.text(key)
        match = _TIME_OF_DAY.fullmatch(value)
        if match is None:
            if value:
                like = self._declared(key).example
                self.error(key, f"{shorten(value)!r} is no time of day", f"Write hours and minutes, like {like}.")
            return 0
        return int(match[1]) * 60 + int(match[2])

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts, not empty."""
        value = self._get(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self._wrong_type(key, value, "a list of texts")
            return ()
        if not value:
            self.error(key, "an empty list", f"Write {key} = {self._declared(key).example} or what fits.")
        return tuple(value)

    def table(self, key: str) -> Table:
        """Return a table inside this one; an empty one that has failed when it isn't there."""
        value = self._get(key)
        if value is not None and not isinstance(value, dict):
            self._wrong_type(key, value, "a table")
            value = None
        inner = self._inner(key, {} if value is None else value)
        if value is None:
            inner.absent = True
            inner.wrong.add("")
        return inner

    def word_or_table(self, key: str) -> str | Table:
        """Return a word where one says it all, "" where it is none of them, or the table that stands there."""
        form = self._form(key, WordOrInner)
        if isinstance(self.values.get(key), dict):
            return self.table(key)
        word = self.text(key)
        if word and word not in form.words:
            remedy = f"Write one of {', '.join(form.words)}, or a table with its sizes: {_end_like(word)}."
            self.error(key, f"{shorten(word)!r} doesn't say it all", remedy)
            return ""
        return word

    def tables(self, key: str, required: bool = True) -> list[Table]:
        """Return a list of tables, those called [[key]] at the top of a file.

        required: whether a key that is required by its declaration is required here.
        """
        form = self._form(key, Many)
        if not (form.required and required) and not self.has(key):
            return []
        value = self._get(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self._wrong_type(key, value, "a list of tables")
            return []
        if form.required and not value:
            self.error(key, "an empty list", f"Add {self._declared(key).example}.")
        if len(value) > MOST_TABLES:
            found = self._inner(key, value[MOST_TABLES], MOST_TABLES)
            found.error(
                "", f"over {MOST_TABLES} tables of one kind", "Leave out what isn't needed; these are not read."
            )
        return [self._inner(key, item, number) for number, item in enumerate(value[:MOST_TABLES])]

    # -- inside --------------------------------------------------------------------------------------------------

    def _declared(self, key: str) -> Key:
        path = f"{self.kind}.{key}" if self.kind else f"{self.document.prefix}{key}"
        return KEYS.get(path) or KEYS[f"{self.kind}.PRODUCT"]  # the keys of [compatible] are the site's products

    def _form(self, key: str, wanted: type[_F]) -> _F:
        form = self._declared(key).form
        assert isinstance(form, wanted), (self.kind, key)  # noqa: S101  # a mistake of ours, not of a file
        return form

    def _ask(self, key: str) -> None:
        if key not in self._asked:
            self._asked.append(key)
            self.document.asked.add(self._declared(key).path)

    def _get(self, key: str) -> Any:
        self._ask(key)
        if key not in self.values:
            if not self.absent:
                declared = self._declared(key)
                name = f"{key} = " if not isinstance(declared.form, Many) or self.kind else ""
                self.error(key, "missing", declared.remedy or f"Add {name}{declared.example} or what fits.")
            return None
        return self.values[key]

    def _inner(self, key: str, values: dict[str, Any], number: int | None = None) -> Table:
        path: Path = (*self.path, key)
        name = key
        if number is not None:
            path = (*path, number)
            tag = values.get("tag")
            name = f"{key}.{tag}" if isinstance(tag, str) and _TAG.fullmatch(tag) else f"{key} {number + 1}"
        where = f"{self.where}.{name}" if self.where else name
        kind = f"{self.kind}.{key}" if self.kind else f"{self.document.prefix}{key}"
        return Table(self.document, path, SAME_KEYS.get(kind, kind), where, values, self)

    def _wrong_type(self, key: str, value: Any, wanted: str) -> None:
        like = self._declared(key).example
        self.error(key, f"{_described(value)} where {wanted} is needed", f"Write {key} = {like} or what fits.")

    def _parsed(self, key: str, text: str, dimension: Dimension, like: str) -> Fraction | None:
        try:
            return parse_quantity(text, dimension)
        except ValueError as problem:
            self.error(key, str(problem), f"Write it like {like}.")
            return None

    def _bounded(self, key: str, dimension: Dimension, low: str, high: str) -> Fraction:
        text, like = self.text(key), self._declared(key).example
        value = self._parsed(key, text, dimension, like) if text else None
        if value is None:
            return Fraction(0)
        if not parse_quantity(low, dimension) <= value <= parse_quantity(high, dimension):
            self.error(key, f"{text} is outside {low} to {high}", f"Write it like {like}.")
        return value


def _end_like(word: str) -> str:
    """Return how an end of that form is written with its sizes; a cone, where there is no such form."""
    ends = [key for path, key in KEYS.items() if path.startswith("vessel.shape.bottom.") and not key.optional]
    form = word if any(word in key.only for key in ends) else "cone"
    sizes = [f"{key.path.rpartition('.')[2]} = {key.example}" for key in ends if form in key.only]
    return "{ " + ", ".join([f'form = "{form}"', *sizes]) + " }"


def _unfit(text: str) -> str:
    """Return what makes a text no good for a site file; "" when nothing does."""
    if len(text) > LONGEST_TEXT:
        return f"a text of {len(text)} characters"
    strange = next((character for character in text if not character.isprintable()), None)
    if strange is not None:
        return f"no readable text: it has {odd_characters(strange) or repr(strange)}"
    if not text.strip():
        return "no readable text"
    if text.strip(" ?.-_") == "" or text.casefold() in _PLACEHOLDERS:
        return f"{text!r} stands for what somebody still has to find out"
    return "a text that begins or ends with a blank" if text != text.strip() else ""


def shorten(text: str) -> str:
    """Return a text from a file as a message can hold it."""
    return text if len(text) <= 40 else text[:37] + "..."


def names(things: Iterable[str], most: int = 12) -> str:
    """Return names for a remedy, not too many."""
    every = list(things)
    return ", ".join(every[:most]) + (f" and {len(every) - most} more" if len(every) > most else "") or "none"


def _list(items: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{item}"' for item in items) + "]"


def _described(value: Any) -> str:
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str):
        return "text"
    if isinstance(value, int):
        return "a whole number"
    if isinstance(value, Fraction):
        return "a number"
    if isinstance(value, float):
        return "a number out of all range"
    return "a date or time"
