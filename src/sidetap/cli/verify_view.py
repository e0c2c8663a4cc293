"""What `verify` found, in words: promises with what they come to at the pipe, goals, stories, what differs."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from rich.console import Console

from sidetap.cli.paragraphs import page, paragraph
from sidetap.errors import printable
from sidetap.promises.stamp import Stamp
from sidetap.quantity import NS_PER_MS
from sidetap.site import Site
from sidetap.verify import Verdict, Verification
from sidetap.verify.story import clock

if TYPE_CHECKING:
    from sidetap.rehearse.on_yard import OnYard

_MEANING = (
    'A checked model, not a plant: "holds" means that no order of events within this model breaks the promise, with '
    "any inputs in their ranges, any time between scans and a crash at any moment. Wiring, valves and people are not "
    "in it. This is no safety system; local codes and a licensed person's judgement come first."
)
_NO_APPROVAL = (
    "That approves no value. No promise knows whether the new values suit the yard: compare them with its vessels, "
    "pumps and pipes. A wrong limit is kept as faithfully as a right one."
)
_WORDS = {"holds": "holds", "broken": "BROKEN", "unknown": "unknown"}
_Words = dict[tuple[str, str], str]  # by name and subject
_ON_YARD = "Played on the simulated yard, with the station that would run"
_NAME = 22  # columns of a promise's name
_CLOCK = 14  # columns of a moment in a story


@dataclass(frozen=True, slots=True)
class Differences:
    """What some changes of a site do to its answer.

    hashes: of the scheme, as it is and as it would be. promises, goals: (name, subject, as it is, as it would be),
    where these differ; "-" where there is no such promise or goal.
    """

    changes: tuple[str, ...]
    hashes: tuple[str, str]
    promises: tuple[tuple[str, str, str, str], ...]
    goals: tuple[tuple[str, str, str, str], ...]

    def document(self) -> dict[str, Any]:
        """Return the part of the JSON document that tells it."""
        keys = ("subject", "as_it_is", "as_it_would_be")
        return {
            "changes": list(self.changes),
            "scheme_hash_as_it_is": self.hashes[0],
            "promises": [{"promise": name, **dict(zip(keys, rest, strict=True))} for name, *rest in self.promises],
            "goals": [{"goal": name, **dict(zip(keys, rest, strict=True))} for name, *rest in self.goals],
        }


def differences(changes: tuple[str, ...], before: Verification, after: Verification) -> Differences:
    """Return what differs between a scheme as it is and as it would be."""

    def changed(was: _Words, now: _Words) -> tuple[tuple[str, str, str, str], ...]:
        both = dict.fromkeys((*was, *now))
        return tuple((*key, was.get(key, "-"), now.get(key, "-")) for key in both if was.get(key) != now.get(key))

    hashes = before.scheme_hash, after.scheme_hash
    return Differences(
        changes, hashes, changed(_verdicts(before), _verdicts(after)), changed(_goals(before), _goals(after))
    )


def _verdicts(result: Verification) -> _Words:
    return {(v.promise, v.subject): v.verdict for v in result.promises}


def _goals(result: Verification) -> _Words:
    return {(r.goal, r.subject): "reached" if r.reached else "not reached" for r in result.reachable}


def print_recheck(site: Site, stamp: Stamp, fails: Sequence[str], seconds: float) -> None:
    """Print which promises of a stamp could not be proved again, in sentences; that all could be, where none."""
    console = page()
    for sentence in fails:
        paragraph(console, printable(sentence), hang=2)
    told = (
        f"{len(fails)} not proved again (--again looks for proofs anew)"
        if fails
        else f"all {len(stamp.verdicts)} promises proved again"
    )
    paragraph(console, f"{told}; scheme {stamp.scheme_hash[:16]}")
    paragraph(console, f"in {seconds:.0f} s, from the stamp of {_checked(site, stamp)}")


def _checked(site: Site, stamp: Stamp) -> str:
    """Return when a stamp was made, by the site's clock, and by what; as it stands where it is no time."""
    try:
        local = datetime.fromisoformat(stamp.checked_utc).astimezone(ZoneInfo(site.time_zone))
        when = f"{local:%Y-%m-%d %H:%M:%S %Z}"
    except (ValueError, OverflowError):
        when = stamp.checked_utc
    return printable(f"{when} by {stamp.tool}")


class View:
    """The answer on a page.

    stamp: where it comes from, None when it was found just now. diagrams: those written. played: what became of
    counter-examples on the simulated yard.
    """

    def __init__(
        self,
        site: Site,
        result: Verification,
        stamp: Stamp | None,
        differs: Differences | None,
        diagrams: Sequence[Path],
        played: Sequence["OnYard"],
    ) -> None:
        self._site, self._result, self._stamp, self._differs, self._diagrams = site, result, stamp, differs, diagrams
        self._played = {(one.promise, one.subject): one for one in played}
        self._console: Console = page()

    def print(self) -> None:
        """Print it."""
        if self._differs is not None:
            changes = printable("; ".join(self._differs.changes))
            self._say(f"As it would be with {changes} (the file is as it was, and no stamp is kept)")
            self._say()
        self._promises()
        if self._result.reachable:
            self._say()
            self._reached()
        for verdict in self._result.promises:
            if verdict.verdict == "broken":
                self._story(verdict)
            elif verdict.verdict == "unknown":
                self._say()
                self._say(f"{verdict.promise} {verdict.subject}: neither proved nor broken, so nobody may rely on it")
        if self._differs is not None:
            self._differing(self._differs)
        self._say()
        self._summary()
        for path in self._diagrams:
            self._console.print(f"diagram {printable(str(path))}", soft_wrap=True)  # in one piece, to be copied
        self._say(_MEANING)

    def _promises(self) -> None:
        by_promise: dict[str, list[Verdict]] = {}
        for verdict in self._result.promises:
            by_promise.setdefault(verdict.promise, []).append(verdict)
        for promise, verdicts in by_promise.items():
            of_word = {w: " ".join(v.subject for v in verdicts if v.verdict == w) for w in _WORDS}
            told = "; ".join(f"{_WORDS[word]} {subjects}" for word, subjects in of_word.items() if subjects)
            self._say(told, _NAME, label=promise, hang=2)
            by_bound: dict[str, list[str]] = {}
            for verdict in verdicts:
                if verdict.bound and verdict.verdict == "holds":
                    by_bound.setdefault(verdict.bound, []).append(verdict.subject)
            for bound, subjects in by_bound.items():
                whose = f"{' '.join(subjects)}: " if len(by_bound) > 1 else ""
                self._say(f"{whose}{bound}", 4, hang=2)

    def _reached(self) -> None:
        by_goal: dict[str, list[str]] = {}
        for goal in self._result.reachable:
            word = "" if goal.reached else " (NOT REACHED)"
            by_goal.setdefault(goal.goal, []).append(f"{goal.subject}{word}")
        for name, subjects in by_goal.items():
            self._say(f"reached {' '.join(subjects)}", _NAME, label=name, hang=2)

    def _story(self, verdict: Verdict) -> None:
        self._say()
        self._say(f"{verdict.promise} {verdict.subject} is BROKEN (replayed in the unchanged scheme):", style="bold")
        for step in verdict.trace:
            self._say(printable(step.what), _CLOCK, label=f"  {clock(step.t_ms)}")

        played = self._played.get((verdict.promise, verdict.subject))
        if played is not None:
            self._on_yard(played)

    def _on_yard(self, played: "OnYard") -> None:
        self._say(f"{_ON_YARD}: {printable(played.told)}", 2, hang=2)
        for did in played.did:
            self._say(printable(did.what), _CLOCK, label=f"  {clock(did.t_ns // NS_PER_MS)}")
        for note in played.nearly:
            self._say(f"not as in the story: {printable(note)}", 4, hang=2)

    def _differing(self, differs: Differences) -> None:
        self._say()
        was, now = (digest[:16] for digest in differs.hashes)
        if was == now:
            self._say(f"The scheme is the same as without the changes ({was}), and so is the answer.")
        else:
            self._beside(differs, was, now)
        self._say(_NO_APPROVAL)

    def _beside(self, differs: Differences, was: str, now: str) -> None:
        self._say(f"Beside the file as it is: the scheme is {now}, and was {was};", hang=2)
        for name, subject, before, after in (*differs.promises, *differs.goals):
            self._say(f"{name} {subject}: {before} as it is, {after} as it would be", 2, hang=2)
        if not differs.promises and not differs.goals:
            self._say("no promise and no goal changes", 2)

    def _summary(self) -> None:
        verdicts = self._result.promises
        hold, broken, unknown = (sum(v.verdict == word for v in verdicts) for word in _WORDS)
        self._say(f"{hold} hold, {broken} broken, {unknown} unknown; scheme {self._result.scheme_hash[:16]}")
        if self._stamp is None:
            self._say(f"verified in {self._result.seconds:.0f} s")
        else:
            checked = _checked(self._site, self._stamp)
            self._say(f"told from the stamp of {checked} (--again verifies anew)")

    def _say(self, words: str = "", indent: int = 0, *, label: str = "", hang: int = 0, style: str = "") -> None:
        if words:
            paragraph(self._console, words, indent, label=label, hang=hang, style=style)
        else:
            self._console.print()
