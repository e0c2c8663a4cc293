"""What the demo plays in fast time: a full load, a low trip and an old-data stop at one bay, by people's hands.

A joined yard and station in, what happened out, read from the journal and the load records, with what really flowed
in the yard beside it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sidetap.measure import Drawn
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.rehearse.plant import Plant
from sidetap.station.loads import Load

BAY, PERSON = "B", "Mara Odhiambo"
SETTLE_S = 30.0  # the output port is listened to for 10 s, a window of levels takes 15
PATIENCE_S = 900.0


@dataclass(frozen=True, slots=True)
class Happening:
    """One load of the story.

    valve, vessel: which. opened_local, closed_local: by the site's clock. open_ns: of the command. cause: what closed
    it, in words. by_level: by the levels before and after; loaded_gal: what really came into the tanker. closed_ns:
    from the close command until the closed switch was seen. remark: what this load is there to show.
    """

    title: str
    valve: str
    vessel: str
    opened_local: str
    closed_local: str
    open_ns: int
    cause: str
    by_level: Drawn
    loaded_gal: float
    closed_ns: int
    remark: str


class StoryFailed(AssertionError):
    """Something did not happen that had to: the station or the yard is wrong."""


def tell(plant: Plant, progress: Callable[[str], None] = lambda text: None) -> Iterator[Happening]:
    """Play the story and yield each load when it is over."""
    plant.yard.set_level("T2", 690.0)  # yesterday's loads left it low
    progress("starting: the output port is listened to, the levels fill their window")
    plant.run(SETTLE_S)

    progress("a full load from T1, closed by its open limit")
    yield _load(plant, "a full load", "B1", "T1", lambda: "the valve's own limit ended it")

    progress("a load from T2 that trips on low level")

    def low() -> str:
        level_mm = plant.yard.vessels["T2"].level_mm
        return f"T2 stood at {level_mm:,.0f} mm then; the trip is at 600 mm, mean of 15 s"

    yield _load(plant, "a low trip", "B2", "T2", low)

    progress("a load from T3 whose transmitter falls silent")
    ages: list[int] = []

    def silence() -> None:
        plant.run(40.0)
        plant.yard.silence_device(13)

    def old() -> str:
        plant.yard.restore(13)
        return f"the command went {ages[-1] / NS_PER_S:.1f} s after the last good level was on the wire"

    yield _load(plant, "an old-data stop", "B3", "T3", old, silence, ages)


def _load(
    plant: Plant,
    title: str,
    valve: str,
    vessel: str,
    remark: Callable[[], str],
    meanwhile: Callable[[], None] = lambda: None,
    ages: list[int] | None = None,
) -> Happening:
    """Let a driver come, load from vessel until something closes the valve, and leave."""
    bay = plant.yard.bay(BAY)
    bay.tanker.loaded_gal = 0.0
    _granted(plant.ask(ask="ticket", bay=BAY, person=PERSON, vessels=[vessel]))
    plant.run(2.0)
    bay.hose = True
    plant.run(2.0)
    _granted(plant.ask(ask="open", bay=BAY, valve=valve))
    plant.run(1.0)
    if not _shown(plant, valve)["command"]:
        raise StoryFailed(f"{valve} did not open: {_shown(plant, valve)['blocks']}")
    meanwhile()
    started_ns = plant.yard.now_ns
    while _shown(plant, valve)["command"]:
        if ages is not None:
            ages.append(_age_ns(plant, vessel))
        plant.run(0.1)
        if plant.yard.now_ns - started_ns > PATIENCE_S * NS_PER_S:
            raise StoryFailed(f"nothing closed {valve} in {PATIENCE_S:.0f} s")
    if ages is not None:
        ages.append(_age_ns(plant, vessel))
    said = remark()
    commanded_ns = plant.yard.now_ns
    while not _shown(plant, valve)["closed"]:
        plant.run(0.1)
    closed_ns = plant.yard.now_ns - commanded_ns
    plant.run(10.0)
    plant.ask(ask="end-ticket", bay=BAY, person=PERSON)
    bay.hose = False
    plant.run(5.0)
    load = plant.store.loads()[-1]
    return _happening(plant, title, load, closed_ns, said)


def _happening(plant: Plant, title: str, load: Load, closed_ns: int, said: str) -> Happening:
    opening = load.openings[-1]
    engine = plant.engine
    if opening.closed_utc_ns is None or opening.cause is None or opening.by_level is None:
        raise StoryFailed(f"the record of ticket {load.ticket} has no end")
    valve = next(v for b in engine.scheme.bays for v in b.valves if v.tag == opening.valve)
    return Happening(
        title=title,
        valve=valve.tag,
        vessel=valve.vessel,
        opened_local=engine.local(opening.opened_utc_ns),
        closed_local=engine.local(opening.closed_utc_ns),
        open_ns=opening.open_ms * NS_PER_MS,
        cause=next(cause.text for cause in valve.causes if cause.name == opening.cause),
        by_level=opening.by_level,
        loaded_gal=plant.yard.bay(BAY).tanker.loaded_gal,
        closed_ns=closed_ns,
        remark=said,
    )


def _shown(plant: Plant, valve: str) -> dict[str, object]:
    bay = next(b for b in plant.snapshot()["bays"] if b["tag"] == BAY)
    shown: dict[str, object] = next(v for v in bay["valves"] if v["tag"] == valve)
    return shown


def _age_ns(plant: Plant, vessel: str) -> int:
    age_ms = next(v["age_ms"] for v in plant.snapshot()["vessels"] if v["tag"] == vessel)
    return int(age_ms) * NS_PER_MS


def _granted(reply: dict[str, object]) -> None:
    if not reply["ok"]:
        raise StoryFailed(f"{reply['ask']} was refused: {reply['text']}")
