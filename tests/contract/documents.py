"""The documents that scripts rely on, as shapes: a parsed document comes in, an AssertionError with a place goes out.

Written from the command-line contract alone, by somebody who had not read the code behind the commands. A shape knows
the exact keys, the types, the closed lists, what may be null and which numbers must agree. It never compares with a
known yard: that is the work of the tests.
"""

import json
import math
from collections.abc import Callable
from typing import Any

NUMBER_TYPES = (int, float)
Shape = Callable[[Any, str], None]

OUTCOMES = ("answered", "exception", "unanswered", "damaged", "broadcast", "unpaired-response")
TABLES = ("coil", "discrete-input", "input-register", "holding-register")
ENCODINGS = (
    *("uint16", "int16", "bcd16", "bits16", "text"),
    *(
        f"{kind}-{order}-word-first{swapped}"
        for kind in ("uint32", "int32", "float32", "mod10k32")
        for order in ("high", "low")
        for swapped in ("", "-swapped")
    ),
    *("float64-high-word-first", "float64-low-word-first"),
)
FINDINGS = (
    *("second-master", "address-collision", "unanswered-device", "device-outage", "intermittent-device"),
    *("damaged-answers", "silent-window", "frozen-value", "exceptions", "fault-values", "mixed-word-order"),
    *("clock-stepped", "truncated-recording", "wrong-parity", "swapped-polarity", "wrong-baud", "far-end-errors"),
    *("errors-after-event", "gateway-repeats", "not-a-level", "new-device", "address-scan", "echo"),
)
QUALITIES = ("good", "warn", "old", "bad", "below-sensor", "above-range", "above-top", "simulated")
PROMISES = (
    *("open-time-bound", "ticket-time-bound", "trip-closes", "bad-or-old-closes", "fresh-press-only", "close-wins"),
    *("start-up-closed", "permissive-closes", "bypass-bounded", "latched-until-reset", "bays-independent"),
    *("exclusive-vessel", "shared-only-above", "one-valve-per-bay", "compatible-only", "opens-when-asked"),
    *("stays-open", "mismatch-alarms", "ranges-hold", "quiet-hours", "trip-vote", "own"),
    *("watchdog-alternates", "pump-follows", "alarms-tell", "reasons-right"),
)
GOALS = ("can-open", "can-reach-limit", "can-use-all-restarts", "can-trip-and-reopen", "can-bypass")
UNITS = ("m", "cm", "mm", "ft", "in", "%", "gal", "L", "kPa", "bar", "psi", "C", "F")
TRANSACTION_KEYS = (
    *("t_s", "device", "function", "table", "register", "count"),
    *("request", "response", "outcome", "retry", "repaired"),
)
TABLE_OF_FUNCTION = {
    **dict.fromkeys((1, 5, 15), "coil"),
    2: "discrete-input",
    **dict.fromkeys((3, 6, 16, 22, 23), "holding-register"),
    4: "input-register",
}


def parse_document(printed: str) -> Any:
    """The one JSON document that was printed; NaN and Infinity, which JSON lacks, and a key twice are refused."""
    return json.loads(printed, parse_constant=_not_a_number, object_pairs_hook=_each_key_once)


def _not_a_number(name: str) -> None:
    raise AssertionError(f"the document holds {name}")


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    keys = [key for key, _ in pairs]
    require(len(set(keys)) == len(keys), "document", f"a key stands twice in {keys}")
    return dict(pairs)


def require(holds: bool, place: str, problem: str) -> None:
    """Raise AssertionError naming the place, also under `python -O` and without pytest's rewriting."""
    if not holds:
        raise AssertionError(f"{place}: {problem}")


# -- Shapes -------------------------------------------------------------------------------------------------------


def text(value: Any, place: str) -> None:
    """Text that says something."""
    require(isinstance(value, str) and bool(value.strip()), place, f"{value!r} is no text")


def any_text(value: Any, place: str) -> None:
    """Text, or nothing to say."""
    require(isinstance(value, str), place, f"{value!r} is no text")


def truth(value: Any, place: str) -> None:
    """True or false, never 0 or 1."""
    require(isinstance(value, bool), place, f"{value!r} is not true or false")


def number(value: Any, place: str) -> None:
    """A finite number; true and false are none."""
    is_number = isinstance(value, NUMBER_TYPES) and not isinstance(value, bool)
    require(is_number and math.isfinite(value), place, f"{value!r} is no finite number")


def share(value: Any, place: str) -> None:
    """A number from 0 to 1."""
    number(value, place)
    require(0 <= value <= 1, place, f"{value} is outside 0 to 1")


def whole(least: int = 0, most: int | None = None) -> Shape:
    """An integer from `least` to `most`."""

    def look(value: Any, place: str) -> None:
        require(isinstance(value, int) and not isinstance(value, bool), place, f"{value!r} is no integer")
        require(value >= least and (most is None or value <= most), place, f"{value} is outside {least} to {most}")

    return look


def one_of(choices: tuple[str, ...]) -> Shape:
    """A word of a closed list."""
    return lambda value, place: require(value in choices, place, f"{value!r} is none of {choices}")


def or_null(shape: Shape) -> Shape:
    """Null, or as `shape` says."""

    def look(value: Any, place: str) -> None:
        if value is not None:
            shape(value, place)

    return look


def list_of(shape: Shape) -> Shape:
    """A list whose every member is as `shape` says."""

    def look(value: Any, place: str) -> None:
        require(isinstance(value, list), place, f"{value!r} is no list")
        for position, member in enumerate(value):
            shape(member, f"{place}[{position}]")

    return look


def keyed(**shapes: Shape) -> Shape:
    """An object with exactly these keys."""

    def look(value: Any, place: str) -> None:
        require(isinstance(value, dict), place, f"{value!r} is no object")
        odd = set(value) ^ set(shapes)
        require(not odd, place, f"keys missing or too many: {sorted(odd)}")
        for key, shape in shapes.items():
            shape(value[key], f"{place}.{key}")

    return look


def also(shape: Shape, *rules: Shape) -> Shape:
    """As `shape` says, and these rules between its parts hold."""

    def look(value: Any, place: str) -> None:
        for each in (shape, *rules):
            each(value, place)

    return look


# -- transactions -------------------------------------------------------------------------------------------------


def _hex_of_frame(value: Any, place: str) -> None:
    text(value, place)
    require(value == value.lower(), place, "hex is not lower-case")
    require(2 <= len(bytes.fromhex(value)) <= 254, place, "address + PDU have 2 to 254 bytes")


def _outcome_agrees(row: Any, place: str) -> None:
    outcome, request, response = row["outcome"], row["request"], row["response"]
    require((request is None) == (outcome == "unpaired-response"), place, f"{outcome} with request {request}")
    has_response = outcome in ("answered", "exception", "unpaired-response")
    require((response is not None) == has_response, place, f"{outcome} with response {response}")
    require((row["device"] == 0) == (outcome == "broadcast"), place, f"{outcome} at device {row['device']}")
    for frame in (request, response):
        if frame is not None:
            require(bytes.fromhex(frame)[0] == row["device"], place, f"device is not the first byte of {frame}")
    if response is not None:
        code = bytes.fromhex(response)[1]
        require(code & 0x7F == row["function"], place, f"function {row['function']} answered by {response}")
        if outcome != "unpaired-response":
            require((code >= 0x80) == (outcome == "exception"), place, f"{outcome} with response {response}")


def _range_agrees(row: Any, place: str) -> None:
    place_in_table = [row["table"], row["register"], row["count"]]
    if row["request"] is None or row["function"] not in TABLE_OF_FUNCTION:
        require(place_in_table == [None, None, None], place, f"{place_in_table} where the contract says null")
        return
    frame = bytes.fromhex(row["request"])
    require(frame[1] == row["function"], place, f"function {row['function']} is not in {row['request']}")
    register = int.from_bytes(frame[2:4], "big")
    count = 1 if row["function"] in (5, 6, 22) else int.from_bytes(frame[4:6], "big")
    expected = [TABLE_OF_FUNCTION[row["function"]], register, count]
    require(place_in_table == expected, place, f"{place_in_table}, but the request says {expected}")


TRANSACTION = also(
    keyed(
        t_s=or_null(number),
        device=whole(0, 247),
        function=whole(1, 127),
        table=or_null(one_of(TABLES)),
        register=or_null(whole(0, 65535)),
        count=or_null(whole(1, 2000)),
        request=or_null(_hex_of_frame),
        response=or_null(_hex_of_frame),
        outcome=one_of(OUTCOMES),
        retry=truth,
        repaired=truth,
    ),
    _outcome_agrees,
    _range_agrees,
)


def check_transactions(rows: list[Any]) -> None:
    """Every row by itself, and `retry` against the rows before it."""
    before: Any = None
    for position, row in enumerate(rows):
        place = f"row {position}"
        TRANSACTION(row, place)
        again = before is not None and row["request"] is not None and before["request"] == row["request"]
        is_retry = again and before["outcome"] in ("unanswered", "damaged")
        require(row["retry"] <= is_retry, place, f"retry is {row['retry']} after {before}")
        before = row


def row_of_csv(fields: dict[str, str]) -> dict[str, Any]:
    """A row as jsonl has it, from the text that csv has: empty = null, booleans true/false, numbers decimal."""
    require(tuple(fields) == TRANSACTION_KEYS, "csv header", str(tuple(fields)))
    row: dict[str, Any] = {key: value or None for key, value in fields.items()}
    for key in ("retry", "repaired"):
        row[key] = {"true": True, "false": False}[fields[key]]
    for key in ("device", "function", "register", "count"):
        row[key] = int(fields[key]) if fields[key] else None
    row["t_s"] = float(fields["t_s"]) if fields["t_s"] else None
    return row


# -- survey -------------------------------------------------------------------------------------------------------

_counts = {key: whole() for key in ("requests", "answered", "exceptions", "damaged", "unanswered")}


def _outcomes_add_up(device: Any, place: str) -> None:
    """A request has one outcome; one to every device, address 0, has none of the four."""
    for poll in device["polls"]:
        total = sum(poll[key] for key in ("answered", "exceptions", "damaged", "unanswered"))
        expected = 0 if device["device"] == 0 else poll["requests"]
        require(total == expected, place, f"the outcomes sum to {total}, not {expected}")


def _explained_is_part(value: Any, place: str) -> None:
    require(value["explained_bytes"] <= value["bytes"], place, "more bytes explained than came")


def _status_agrees(value: Any, place: str) -> None:
    confidence = value["confidence"]
    expected = "settled" if confidence >= 0.99 else "likely" if confidence >= 0.7 else "open"
    require(value["status"] == expected, place, f"{value['status']} at confidence {confidence}")


def _range_holds_its_ends(value: Any, place: str) -> None:
    seen = [value[key] for key in ("first", "last")]
    numbers = [each for each in seen if isinstance(each, NUMBER_TYPES)]
    if None not in (value["min"], value["max"]):
        inside = all(value["min"] <= each <= value["max"] for each in numbers)
        require(value["min"] <= value["max"] and inside, place, f"{seen} outside {value['min']} to {value['max']}")
    if value["kind"] == "constant":
        require(value["first"] == value["last"], place, "a constant that changed")


def _alternatives_are_others(value: Any, place: str) -> None:
    names = [value["encoding"], *(each["encoding"] for each in value["alternatives"])]
    require(len(set(names)) == len(names), place, f"an encoding stands twice in {names}")


_value_keys: dict[str, Shape] = {
    "table": one_of(TABLES),
    "register": whole(0, 65535),
    "encoding": one_of(ENCODINGS),
    "kind": one_of(("measurement", "counter", "status", "constant", "text")),
    "status": one_of(("settled", "likely", "open")),
    "confidence": share,
    "valid_below": or_null(number),
    "alternatives": list_of(keyed(encoding=one_of(ENCODINGS), confidence=share)),
}
_ends = ("first", "last", "min", "max")
_number_value = keyed(**_value_keys, **{key: or_null(number) for key in _ends})
_text_value = keyed(**_value_keys, **{key: or_null(text) for key in _ends}, registers=whole(1, 125))


def _value(value: Any, place: str) -> None:
    is_text = isinstance(value, dict) and value.get("encoding") == "text"
    (_text_value if is_text else _number_value)(value, place)


def _poll_counts(device: Any, place: str) -> None:
    whole_answers = sum(poll["answered"] + poll["exceptions"] for poll in device["polls"])
    require(
        device["answers"] == (whole_answers > 0), place, f"answers is {device['answers']}: {whole_answers} answers"
    )
    keys = [(poll["function"], poll["register"], poll["count"]) for poll in device["polls"]]
    require(len(set(keys)) == len(keys), place, "a poll stands twice")
    values = [(value["table"], value["register"], value["encoding"]) for value in device["values"]]
    require(len(set(values)) == len(values), place, "a value stands twice")


def _window_is_forward(value: Any, place: str) -> None:
    if None not in (value["from_s"], value["to_s"]):
        require(value["from_s"] <= value["to_s"], place, "ends before it starts")


def _polls_make_the_line(document: Any, place: str) -> None:
    polls = [poll for device in document["devices"] for poll in device["polls"]]
    for key in _counts:
        total = sum(poll[key] for poll in polls)
        require(total == document["line"][key], place, f"{key}: polls sum to {total}, line {document['line'][key]}")


SURVEY = also(
    keyed(
        line=also(
            keyed(
                mode=one_of(("rtu", "ascii")),
                settings=or_null(
                    keyed(
                        baud=whole(1),
                        framing=one_of(("7E1", "7O1", "7N2", "8N1", "8N2", "8E1", "8O1")),
                        inverted=truth,
                        source=one_of(("stated", "edges", "flags")),
                    )
                ),
                flag_rates=or_null(keyed(**{"parity": share, "framing": share, "break": share})),
                bytes=whole(),
                explained_bytes=whole(),
                **_counts,
            ),
            _explained_is_part,
        ),
        devices=list_of(
            also(
                keyed(
                    device=whole(0, 247),
                    answers=truth,
                    polls=list_of(
                        keyed(
                            function=whole(1, 127),
                            register=or_null(whole(0, 65535)),
                            count=or_null(whole(1, 2000)),
                            period_s=or_null(number),
                            retries=whole(),
                            **_counts,
                        )
                    ),
                    values=list_of(also(_value, _status_agrees, _range_holds_its_ends, _alternatives_are_others)),
                ),
                _poll_counts,
                _outcomes_add_up,
            )
        ),
        findings=list_of(
            also(
                keyed(
                    finding=one_of(FINDINGS),
                    severity=one_of(("info", "warning", "fault")),
                    device=or_null(whole(0, 247)),
                    register=or_null(whole(0, 65535)),
                    from_s=or_null(number),
                    to_s=or_null(number),
                    text=text,
                    evidence=text,
                    settle=text,
                ),
                _window_is_forward,
            )
        ),
    ),
    _polls_make_the_line,
)


# -- match --------------------------------------------------------------------------------------------------------

_source: dict[str, Shape] = {
    "device": whole(0, 247),
    "table": one_of(TABLES),
    "register": whole(0, 65535),
    "encoding": one_of(ENCODINGS),
    "scale": or_null(number),
    "offset": or_null(number),
    "confidence": share,
}
_found_answer = keyed(
    name=text,
    status=one_of(("settled", "scale-open", "ambiguous")),
    unit=one_of(UNITS),
    valid_below=or_null(number),
    suspect_readings=list_of(whole(1)),
    rivals=list_of(keyed(**_source)),
    next=or_null(text),
    next_at_s=or_null(number),
    **_source,
)
_no_answer = keyed(
    name=text,
    status=one_of(("none",)),
    **dict.fromkeys(
        (*_source, "unit", "valid_below", "suspect_readings", "rivals", "next", "next_at_s"),
        lambda value, place: require(value is None, place, f"{value!r}, though status none leaves all else null"),
    ),
)


def _answer(value: Any, place: str) -> None:
    nothing_found = isinstance(value, dict) and value.get("status") == "none"
    (_no_answer if nothing_found else _found_answer)(value, place)


MATCH = keyed(answers=list_of(_answer))


# -- check, level, verify, journal --------------------------------------------------------------------------------


def _ok_without_errors(document: Any, place: str) -> None:
    errors = [problem for problem in document["problems"] if problem["severity"] == "error"]
    require(document["ok"] == (not errors), place, f"ok is {document['ok']} with {len(errors)} errors")
    require(not document["ok"] or None not in (document["scheme_hash"], document["site_hash"]), place, "ok, no hash")


CHECK = also(
    keyed(
        ok=truth,
        scheme_hash=or_null(text),
        site_hash=or_null(text),
        problems=list_of(
            keyed(
                severity=one_of(("error", "warning")),
                file=text,
                line=or_null(whole(1)),
                column=or_null(whole(1)),
                where=or_null(text),
                problem=text,
                remedy=text,
            )
        ),
    ),
    _ok_without_errors,
)


def _null_unless_known(level: Any, place: str) -> None:
    known = level["quality"] in ("good", "warn", "simulated")
    for key in ("level_mm", "volume_gal", "volume_L", "mass_lb"):
        require(known or level[key] is None, place, f"{key} is {level[key]} at quality {level['quality']}")
    require(not known or level["level_mm"] is not None, place, f"no level at quality {level['quality']}")
    if level["volume_gal"] is not None:
        litres = level["volume_gal"] * 3.785411784  # exact: 231 in³ of 25.4 mm (NIST Handbook 44, appendix C)
        require(math.isclose(litres, level["volume_L"], rel_tol=1e-3), place, "gallons and litres differ")
    if level["quality"] == "below-sensor":
        require(level["volume_at_most_gal"] is not None, place, "below the sensor, but no bound")


LEVEL = keyed(
    levels=list_of(
        also(
            keyed(
                vessel=text,
                level_mm=or_null(number),
                level_text=or_null(text),
                volume_gal=or_null(number),
                volume_L=or_null(number),
                mass_lb=or_null(number),
                uncertainty_gal=or_null(number),
                volume_at_most_gal=or_null(number),
                last_good=or_null(keyed(level_mm=number, t_s=number)),
                quality=one_of(QUALITIES),
                reason=any_text,
                age_s=or_null(number),
            ),
            _null_unless_known,
        )
    )
)


def _trace_where_broken(promise: Any, place: str) -> None:
    broken = promise["verdict"] == "broken"
    require(broken == bool(promise["trace"]), place, f"{promise['verdict']} with {promise['trace']!r}")
    times = [step["t_s"] for step in promise["trace"] or []]
    require(times == sorted(times), place, "the trace runs backwards")


def _ok_if_all_hold(document: Any, place: str) -> None:
    hold = all(promise["verdict"] == "holds" for promise in document["promises"])
    reached = all(goal["reached"] is True for goal in document["reachable"])
    require(document["ok"] == (hold and reached), place, f"ok is {document['ok']}")
    require(bool(document["promises"]), place, "no promise was looked at")


VERIFY = also(
    keyed(
        ok=truth,
        scheme_hash=text,
        seconds=number,
        promises=list_of(
            also(
                keyed(
                    promise=one_of(PROMISES),
                    subject=text,
                    verdict=one_of(("holds", "broken", "unknown")),
                    trace=or_null(list_of(keyed(t_s=number, what=text))),
                    replayed=or_null(truth),
                ),
                _trace_where_broken,
            )
        ),
        reachable=list_of(keyed(goal=one_of(GOALS), subject=text, reached=or_null(truth))),
    ),
    _ok_if_all_hold,
)


def _bad_where_not_ok(document: Any, place: str) -> None:
    require(document["ok"] == (document["first_bad"] is None), place, f"ok {document['ok']} with {document}")


AUDIT = also(keyed(ok=truth, records=whole(), first_bad=or_null(whole())), _bad_where_not_ok)
