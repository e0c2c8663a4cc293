"""Pairs of registers that fit -> relations in whole sentences.

Of registers that all tell one quantity, each is tied once, by the law that says most: the others follow.
"""

from collections.abc import Callable, Sequence

from sidetap.survey.relations import chance
from sidetap.survey.relations.lines import Law, Line
from sidetap.survey.relations.pairs import Pair
from sidetap.survey.relations.relation import Relation, RelationKind, Tied
from sidetap.survey.relations.series import Sheet

_KINDS = {
    Law.SAME: RelationKind.SAME,
    Law.SUM: RelationKind.SUM_CONSTANT,
    Law.CELSIUS_FAHRENHEIT: RelationKind.TEMPERATURES,
    Law.CELSIUS_KELVIN: RelationKind.TEMPERATURES,
    Law.CURRENT_SHARE: RelationKind.LINEAR,
    Law.SHIFTED: RelationKind.LINEAR,
    Law.PROPORTIONAL: RelationKind.PROPORTIONAL,
    Law.LINEAR: RelationKind.LINEAR,
    Law.CURVE: RelationKind.TOGETHER,
}


def told(sheet: Sheet, found: Sequence[Pair], tried: int) -> list[Relation]:
    """Return the relations of a device; tried: how many pairs there are on the line."""
    group = list(range(len(sheet.values)))

    def leader(n: int) -> int:
        while group[n] != n:
            n = group[n]
        return n

    relations = []
    for pair in sorted(found, key=lambda p: (p.law.value, p.left / sheet.spans[p.y])):
        first, second = leader(pair.x), leader(pair.y)
        if first != second:
            group[max(first, second)] = min(first, second)
            relations.append(_relation(sheet, pair, tried))
    return relations


def _relation(sheet: Sheet, pair: Pair, tried: int) -> Relation:
    x, y = sheet.values[pair.x], sheet.values[pair.y]
    text, follows, roles = _WORDS[pair.law](f"register {x.register}", f"register {y.register}", pair)
    return Relation(
        _KINDS[pair.law],
        tuple(Tied(v.device, v.table, v.register, v.encoding, role) for v, role in zip((x, y), roles, strict=True)),
        f"On device {sheet.device} {text}.",
        _evidence(sheet, pair, tried),
        follows,
        pair.chance,
    )


def _evidence(sheet: Sheet, pair: Pair, tried: int) -> str:
    y = sheet.values[pair.y]
    exact = ", which is what their last digits allow" if pair.left <= 1.05 * pair.rounding else ""
    x, law = sheet.values[pair.x], "one curve"
    if pair.line is not None:
        law = f"register {y.register} = {_right_side(pair.line, f'register {x.register}')}"
    return (
        f"98 % of {pair.answers} answers lie within {pair.left:.3g} of {law}{exact}, while register {y.register} "
        f"moved over {sheet.spans[pair.y]:.6g} on {pair.moved} occasions. The chance of that among the {tried:,} "
        f"pairs that were tried on this line is {chance.in_words(pair.chance)}."
    )


def _right_side(line: Line, x: str) -> str:
    offset = "" if line.offset == 0 else f" {'-' if line.offset < 0 else '+'} {abs(line.offset):.6g}"
    return f"{line.scale:.6g} × {x}{offset}"


_Words = tuple[str, str, tuple[str, str]]


def _units(pair: Pair) -> str:
    names = () if pair.line is None else pair.line.names
    return f" (the ratio of {' or of '.join(names)}, powers of ten aside)" if names else ""


def _same(x: str, y: str, pair: Pair) -> _Words:
    return (
        f"{x} and {y} are the same number in two units or scales{_units(pair)}",
        "They tell one quantity twice: a reading that fits one fits the other, and that settles nothing more.",
        ("one quantity", "the same quantity"),
    )


def _sum(x: str, y: str, pair: Pair) -> _Words:
    total = 0.0 if pair.line is None else pair.line.offset
    return (
        f"{x} and {y} add up to a constant, {total:.6g} in units of {y}{_units(pair)}, as a level and the distance "
        "from above do",
        "One falls by what the other rises. Which of them is the level the line doesn't tell; a reading does, and "
        "the constant is then the height from which the distance is measured.",
        ("level or distance", "distance or level"),
    )


def _fahrenheit(x: str, y: str, pair: Pair) -> _Words:
    x_is_c = pair.line is not None and pair.line.offset > 0
    return (
        f"{x} and {y} are one temperature in degrees Celsius and Fahrenheit",
        "Neither of them is a level.",
        ("degrees Celsius", "degrees Fahrenheit") if x_is_c else ("degrees Fahrenheit", "degrees Celsius"),
    )


def _kelvin(x: str, y: str, pair: Pair) -> _Words:
    x_is_c = pair.line is not None and pair.line.offset > 0
    return (
        f"{x} and {y} are one temperature in degrees Celsius and kelvins",
        "Neither of them is a level.",
        ("degrees Celsius", "kelvins") if x_is_c else ("kelvins", "degrees Celsius"),
    )


def _current(x: str, y: str, pair: Pair) -> _Words:
    x_is_share = pair.line is not None and pair.line.offset > 0
    roles = ("share of the span in %", "current of 4 to 20 mA")
    return (
        f"{x} and {y} are a share of a span in % and its current of 4 to 20 mA",
        "They tell one quantity twice; what its span is, neither tells.",
        roles if x_is_share else (roles[1], roles[0]),
    )


def _shifted(x: str, y: str, pair: Pair) -> _Words:
    offset = 0.0 if pair.line is None else pair.line.offset
    return (
        f"{x} and {y} move alike, but for a constant of {offset:.6g} in units of {y}{_units(pair)}",
        "They tell one quantity from two zeros: which zero is whose, a reading tells.",
        ("one quantity", "the same from another zero"),
    )


def _proportional(x: str, y: str, pair: Pair) -> _Words:
    return (
        f"{x} and {y} move in proportion, at a ratio that no two units have",
        "They move together: a level and its share of a span do, a level and its pressure, a level and the volume of "
        "a vessel with upright walls. Which of these it is can't be known from the line.",
        ("one of two in proportion", "one of two in proportion"),
    )


def _linear(x: str, y: str, pair: Pair) -> _Words:
    against = "" if pair.rises else ", one against the other"
    return (
        f"{x} and {y} move along one straight line{against}",
        "They move together: both tell one quantity, from different zeros or ends and in different scales. A reading "
        "that settles one settles the other.",
        ("one of two on a line", "one of two on a line"),
    )


def _curve(x: str, y: str, pair: Pair) -> _Words:
    against = "one falls whenever the other rises" if not pair.rises else "one rises whenever the other does"
    return (
        f"{x} and {y} move together along one curve: {against}",
        "A level and the volume of a vessel that isn't upright do so. More than that they move together can't be "
        "known from the line.",
        ("one of two on a curve", "one of two on a curve"),
    )


_WORDS: dict[Law, Callable[[str, str, Pair], _Words]] = {
    Law.SAME: _same,
    Law.SUM: _sum,
    Law.CELSIUS_FAHRENHEIT: _fahrenheit,
    Law.CELSIUS_KELVIN: _kelvin,
    Law.CURRENT_SHARE: _current,
    Law.SHIFTED: _shifted,
    Law.PROPORTIONAL: _proportional,
    Law.LINEAR: _linear,
    Law.CURVE: _curve,
}
