"""A made-up yard for first site files: its survey and match as documents, and what its engineer fills in.

The documents are written by the command-line contract, by hand. Nothing in them comes from code that is tested.
"""

import re
from typing import Any

FT, PSI_PA, G = 0.3048, 6894.757293168362, 9.80665  # NIST Handbook 44, appendix C; ISO 80000-3
SYRUP_KG_PER_M3 = 1200.0
PRESSURE_SCALE = PSI_PA / (SYRUP_KG_PER_M3 * G)  # metres of syrup per psi


def value(register: int, encoding: str, low: float, high: float, **changes: Any) -> dict[str, Any]:
    """A settled measurement that went from low to high."""
    return {
        "table": "holding-register",
        "register": register,
        "encoding": encoding,
        "kind": "measurement",
        "status": "settled",
        "confidence": 0.9991,
        "valid_below": None,
        "alternatives": [],
        "first": low,
        "last": high,
        "min": low,
        "max": high,
        **changes,
    }


def device(number: int, polls: list[tuple[int, int, int, float | None]], values: list[Any]) -> dict[str, Any]:
    """A device that answers. polls: function, register, count, period."""
    counts = {"retries": 0, "exceptions": 0, "damaged": 0, "unanswered": 0}
    return {
        "device": number,
        "answers": True,
        "polls": [
            {"function": f, "register": r, "count": c, "period_s": p, "requests": 900, "answered": 900, **counts}
            for f, r, c, p in polls
        ],
        "values": values,
    }


def finding(name: str, number: int | None, text: str, severity: str = "warning") -> dict[str, Any]:
    """A finding with evidence that can be told from any other's."""
    return {
        "finding": name,
        "severity": severity,
        "device": number,
        "register": None,
        "from_s": 120.0,
        "to_s": 3720.5,
        "text": text,
        "evidence": f"evidence of {name}",
        "settle": f"settle {name}.",
    }


def survey() -> dict[str, Any]:
    """What was heard."""
    return {
        "line": {
            "mode": "rtu",
            "settings": {"baud": 9600, "framing": "8N1", "inverted": False, "source": "stated"},
            "flag_rates": None,
            "bytes": 100_000,
            "explained_bytes": 99_500,
            "requests": 8100,
            "answered": 8100,
            "exceptions": 0,
            "damaged": 0,
            "unanswered": 0,
        },
        "devices": [
            device(
                3,
                [(3, 10, 3, 2.016), (3, 10, 1, 0.5)],
                [
                    value(
                        10,
                        "uint16",
                        120,
                        350,
                        valid_below=32768,
                        alternatives=[{"encoding": "int16", "confidence": 0.9991}],
                    ),
                    value(11, "bits16", 1, 1, kind="constant"),
                    value(12, "int16", 181, 187),
                ],
            ),
            device(4, [(4, 0, 2, 1.0)], [value(0, "float32-high-word-first", 40, 160, table="input-register")]),
            device(5, [(3, 7, 1, 10.07)], [value(7, "uint16", 205, 893)]),
            device(6, [(4, 2, 4, 0.25)], [value(2, "float32-low-word-first", 1.2, 4.4, table="input-register")]),
            device(7, [(3, 0, 2, 1.0)], [value(0, "uint32-low-word-first", 10_000, 30_000, valid_below=65536)]),
            device(8, [(3, 0, 1, 1.0)], [value(0, "uint16", 900, 2600)]),
            device(9, [(3, 0, 1, None)], [value(0, "uint16", 900, 2600)]),
            device(31, [(4, 0, 2, 1.0)], [value(0, "float32-high-word-first", 274, 279, table="input-register")]),
        ],
        "findings": [
            finding("silent-window", None, "For 3600 s nobody asked for anything."),
            finding("second-master", 3, "A second master asks device 3."),
            finding("fault-values", 4, "Register 0 of device 4 at times holds a code for no value."),
            finding("mixed-word-order", 6, "Device 6 sends its values in more than one word order."),
            finding("not-a-level", 31, "Device 31 is an electric power meter.", "info"),
        ],
    }


def answer(name: str, number: int, register: int, encoding: str, law: tuple[float, float], **changes: Any) -> Any:
    """A settled answer in metres."""
    return {
        "name": name,
        "status": "settled",
        "device": number,
        "table": "holding-register",
        "register": register,
        "encoding": encoding,
        "scale": law[0],
        "offset": law[1],
        "unit": "m",
        "confidence": 0.9973,
        "valid_below": None,
        "suspect_readings": [],
        "rivals": [],
        "next": None,
        "next_at_s": None,
        **changes,
    }


def match() -> dict[str, Any]:
    """What people's readings say: five settled in five ways, one with its scale open, twins, and one with nothing."""
    rival = {key: v for key, v in answer("", 9, 0, "uint16", (0.001, 0.0)).items() if key in _RIVAL_KEYS}
    nothing = dict.fromkeys((*_RIVAL_KEYS, "unit", "valid_below", "suspect_readings", "rivals", "next", "next_at_s"))
    ullage = {"table": "input-register", "unit": "ft"}
    return {
        "answers": [
            answer("North Bin", 3, 10, "uint16", (0.01 / FT, 0.0), unit="ft", suspect_readings=[2]),
            answer("V4", 4, 0, "float32-high-word-first", (-1 / 12, 18.4999971), **ullage),
            answer("V5", 5, 7, "uint16", (0.0030000113, 0.0)),
            answer(
                "V6", 6, 2, "float32-low-word-first", (PRESSURE_SCALE * 1.000003, 0.3000021), table="input-register"
            ),
            answer("V7", 7, 0, "uint32-low-word-first", (0.0001, 0.0), valid_below=6.5536),
            answer("V8", 8, 0, "uint16", (0.001, 0.0), status="ambiguous", confidence=0.5, rivals=[rival],
                   next="Read once more where device 8 and 9 part most.", next_at_s=1234.5),
            answer("V9", 9, 0, "uint16", (0.00102, 0.1), status="scale-open", next="Read near the top."),
            {"name": "V10", "status": "none", **nothing},
        ]
    }  # fmt: skip


_RIVAL_KEYS = ("device", "table", "register", "encoding", "scale", "offset", "confidence")

# -- what the engineer knows -----------------------------------------------------------------------------------------

SIGNED = '{ dips = 2, by = "A. Engineer", on = 2026-02-12 }'
YARD: dict[tuple[str, str], str] = {
    ("", "people"): '"people.toml"',
    ("site", "name"): '"A made-up yard"',
    ("site", "time_zone"): '"America/Chicago"',
    ("site", "show"): '{ level = "ft-in", volume = "gal", flow = "gpm", mass = "lb" }',
    ("line-1", "port"): '"/dev/serial/by-path/made-up"',
    ("line-1", "transmitter"): '{ state = "disabled in hardware", checked_by = "A. Engineer", on = 2026-02-11 }',
}
VESSEL = {
    "product": '"syrup"',
    "density.value": '"1200 kg/m3"',
    "density.source": '"certificate"',
    "density.on": "2026-01-20",
    "shape.kind": '"vertical-cylinder"',
    "shape.diameter": '"3 m"',
    "shape.height": '"6 m"',
    "shape.bottom": '"flat"',
    "uncertainty.level": '"3 mm"',
    "uncertainty.volume": '"0.3 %"',
    "high": '"2.90 m"',
    "low": '"0.90 m"',
    "trip.below": '"0.60 m"',
    "trip.mean": '"15 s"',
    "trip.delay": '"2 s"',
    "trip.reset_above": '"0.70 m"',
}
PEOPLE = '[[person]]\nname = "A. Lead"\nrole = "lead"\n'
INPUTS = ("AUTO", "HAND", "STOP", "HOSE", "OPEN", "CLOSE", "SHUT-1", "WIDE-1")
BLOCKS: list[tuple[str, dict[str, str]]] = [
    (
        "[[module]]",
        {"tag": '"IO"', "kind": '"modbus-rtu"', "port": '"/dev/serial/by-path/other"', "baud": "19200",
         "framing": '"8E1"', "device": "1", "drops_out_after": '"2 s"'},
    ),
    ("[watchdog]", {"module": '"IO"', "coil": "15", "kind": '"transistor"', "relay_time": '"2 s"'}),
    ("[horn]", {"module": '"IO"', "coil": "14"}),
    *(
        ("[[input]]", {"tag": f'"{tag}"', "module": '"IO"', "bit": str(bit), "max_age": '"1 s"'})
        for bit, tag in enumerate(INPUTS)
    ),
    (
        "[[bay]]",
        {
            "tag": '"B"', "name": '"Road"', "flow": '{ value = "100 gpm", tolerance = "10 %", source = "measured" }',
            "vehicle": '{ capacity = "5000 gal", payload = "47000 lb" }', "restarts": "1", "restart_wait": '"60 s"',
            "resume_by": '"lead"', "selector": '{ auto = "AUTO", hand = "HAND" }', "stop_input": '"STOP"',
            "hose": '{ input = "HOSE", left_after = "5 min" }', "run_permissives": '["AUTO", "STOP", "HOSE"]',
            "hard_wired_stop": '"red button on the post"', "pump_permit": '{ module = "IO", coil = 8 }',
            "open_key": '"OPEN"', "close_key": '"CLOSE"', "stuck_key_after": '"10 s"',
            "panel": '{ lost_after = "5 s", screen = "15.6 in" }',
        },
    ),
    (
        "[[valve]]",
        {"tag": '"B1"', "bay": '"B"', "from": '"{first}"', "open_limit": '"5 min"',
         "output": '{ module = "IO", coil = 0 }', "fails": '"closed"', "stroke": '"6 s"', "supervise": '"8 s"',
         "closed_switch": '"SHUT-1"', "open_switch": '"WIDE-1"'},
    ),
    ("[compatible]", {'"?"': '["syrup"]'}),
]  # fmt: skip
_KEY = re.compile(r'# ("\?"|[a-z_.]+) = .*\?')


def filled(text: str, own: dict[tuple[str, str], str], first_vessel: str) -> str:
    """Return the text after the engineer's work: what has a question mark filled in where it is known."""
    told, _, rest = text.partition("\n# [[module]]")
    facts = YARD | own
    lines, tag, kind = [], "", ""
    for line in told.split("\n"):
        if line.startswith("["):
            tag = kind = line.strip("[]")
        if line.startswith("tag = "):
            tag = line.split('"')[1]
        found = _KEY.match(line)
        known = None
        if found is not None:
            default = VESSEL.get(found[1]) if kind == "vessel" else SIGNED if found[1] == "released" else None
            known = facts.get((tag, found[1]), default)
        lines.append(line if found is None or known is None else f"{found[1]} = {known}")
    blocks = {}
    for block in ("# [[module]]" + rest).split("\n\n"):
        keys = [line for line in block.split("\n") if re.match(r"# (\[|.* = )", line)]
        blocks[keys[0].split()[1]] = [found[1] for line in keys[1:] if (found := _KEY.match(line)) is not None]
    for header, values in BLOCKS:
        assert blocks[header] == list(values), f"the template of {header} asks for other keys than the test knows"
        lines += ["", header]
        lines += [
            f"{key.replace('?', 'syrup')} = {known.replace('{first}', first_vessel)}" for key, known in values.items()
        ]
    for vessel in re.findall(r'(?m)^\[\[vessel\]\]\ntag = "(.*)"', text):
        lines += [f'[[alarm]]\ntag = "{vessel}-high"\non = "{vessel} above high"']
        lines += ['delay = "5 s"\ndead_band = "50 mm"\npriority = "high"']
    return "\n".join(lines) + "\n"
