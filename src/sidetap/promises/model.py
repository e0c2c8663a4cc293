"""What is checked: a scheme's program, a station that may crash around it, and judges that watch both.

A site and its compiled scheme -> one bigger program in the same block language. Theory of operation: an input
``crash`` says that the station stopped after the scan before and starts again with this one. In such a scan every
state of the scheme reads as its first value, and the scheme's ``stored`` inputs read what a station that stores as
it must would have on disk. A wired input reads false while its module is not heard: that is the station's duty too.
The judges have states of their own beside the scheme's, see inputs, outputs and elapsed
time only, and put each promise as an expression that must be true in every scan. Nothing here changes the scheme.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from sidetap.scheme.expression import Expr, Op, Type, choose, ordered
from sidetap.scheme.program import Builder, Program, State
from sidetap.site.model import Site

CRASH = "crash"


@dataclass(frozen=True, slots=True)
class Clause:
    """One sentence of a promise: holds is true in every scan; text says what was seen when it is not.

    output: the name under which the model's program gives holds. near: the owners of the states that it
    speaks of: where to look first for why it holds.
    """

    text: str
    holds: Expr
    output: str = ""
    near: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Independence:
    """That some inputs change nothing in some outputs of the scheme, but through what both share.

    outputs: of one bay. foreign: raw inputs of other bays. channels: outputs of the scheme through which they may.
    """

    outputs: tuple[str, ...]
    foreign: tuple[str, ...]
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Promise:
    """A promise of the contract about one subject; it holds when all its clauses do.

    independent: for the one promise that no single run can break, since it compares two.
    bound: what follows for the plant, in words: the limit, one scan, the output, the stroke.
    """

    name: str
    subject: str
    clauses: tuple[Clause, ...]
    independent: Independence | None = None
    bound: str = ""


@dataclass(frozen=True, slots=True)
class Goal:
    """Something that must be possible, or the promises would be kept by never opening; reached names an output."""

    name: str
    subject: str
    reached: str


@dataclass(frozen=True, slots=True)
class Model:
    """The program to check.

    owners: state -> the tag of the vessel, bay, rule or own promise it belongs to, or "site". stored: input of the
    scheme -> the judge's state that holds what is on disk.
    hints: sentences about the judges' states that may help a proof; each is proved or dropped.
    """

    site: Site
    scheme: Program
    program: Program
    promises: tuple[Promise, ...]
    goals: tuple[Goal, ...]
    stored: Mapping[str, str]
    owners: Mapping[str, str]
    hints: tuple[Expr, ...]


class Scene:
    """All that a judge can see, and the place where judges keep their states."""

    def __init__(self, site: Site, scheme: Program, stored: Mapping[str, str]) -> None:
        """Prepare the view; stored maps inputs of the scheme to the words their judges' states are called by."""
        self.site = site
        self.hints: list[Expr] = []
        self._scheme = scheme
        self._owner = _tags_of_states(site)
        self._judge_before: dict[str, Expr] = {}
        self._judge = Builder()
        self._stored = {name: f"stored.{word}" for name, word in stored.items()}
        self.crash = self._judge.input_bool(CRASH)
        self._inputs: dict[str, Expr] = {}
        self._energised: dict[str, Expr] = {}
        self._module = {i.tag: i.module for i in site.inputs}
        read_as = {name: self._declare_stored(name, state) for name, state in self._stored.items()}
        read_as |= {tag: self.energised(tag) for tag in self._module if tag in scheme.inputs}
        self._states, self._outputs = _restartable(scheme, self.crash, read_as)
        self._causes: dict[str, dict[str, Expr]] = {}
        for name, output in self._outputs.items():
            valve, is_cause, cause = name.partition(".block.")
            if is_cause:
                self._causes.setdefault(valve, {})[cause] = output

    def _declare_stored(self, name: str, state: str) -> Expr:
        declared = self._scheme.inputs[name]
        if declared.type is Type.BOOL:
            return self._judge.state_bool(state)
        return self._judge.state_int(state, declared.low, declared.low, declared.high)

    def input(self, name: str) -> Expr:
        """Return an input of the scheme in this scan."""
        if name not in self._inputs:
            self._inputs[name] = Expr(Op.INPUT, self._scheme.inputs[name].type, (), name)
        return self._inputs[name]

    @property
    def input_names(self) -> list[str]:
        """The inputs that are not read from the disk."""
        return [name for name in self._scheme.inputs if name not in self._stored]

    @property
    def output_names(self) -> list[str]:
        """The outputs of the scheme."""
        return list(self._outputs)

    def high_of(self, name: str) -> int:
        """Return the highest value that an input of the scheme may have."""
        return self._scheme.inputs[name].high

    def output(self, name: str) -> Expr:
        """Return an output of the scheme in this scan."""
        return self._outputs[name]

    def causes(self, valve: str) -> Mapping[str, Expr]:
        """Return what the scheme says, in this scan, of why a valve is kept closed: cause -> whether it stands."""
        return self._causes[valve]

    def live(self, tag: str) -> Expr:
        """Return whether the module of a wired input is heard."""
        return self.input(f"{self._module[tag]}.live")

    def energised(self, tag: str) -> Expr:
        """Return whether a wired input is energised and heard."""
        if tag not in self._energised:
            self._energised[tag] = self.input(tag) & self.live(tag)
        return self._energised[tag]

    def kept(self, name: str, first: int | bool = False, high: int = 1) -> Expr:
        """Declare a judge's state that outlives crashes, in [0, high], and return its value before this scan."""
        if isinstance(first, bool):
            before = self._judge.state_bool(f"judge.{name}", first)
        else:
            before = self._judge.state_int(f"judge.{name}", first, 0, high)
        self._judge_before[name] = before
        return before

    def since_start(self, name: str, first: int | bool = False, high: int = 1) -> Expr:
        """Declare a judge's state that begins anew with every start of the station; return its value before."""
        return choose(self.crash, first, self.kept(name, first, high))

    def before(self, name: str) -> Expr:
        """Return a judge's state before this scan, as it is kept."""
        return self._judge_before[name]

    def keep(self, name: str, value: Expr) -> Expr:
        """Say what a judge's state becomes in this scan, and return it."""
        return self._judge.assign(f"judge.{name}", value)

    def on_disk(self, name: str) -> Expr:
        """Return what the disk has for a stored input of the scheme, before this scan."""
        declared = self._scheme.inputs[name]
        return Expr(Op.PREVIOUS, declared.type, (), self._stored[name])

    def store(self, name: str, value: Expr) -> None:
        """Say what the disk has after this scan."""
        self._judge.assign(self._stored[name], value)

    def ranges(self) -> Iterable[tuple[str, str, Expr]]:
        """Yield each whole-number state of the scheme, its owner, and whether it stays in its range in this scan."""
        for name, state in self._states.items():
            if state.type is Type.INT:
                yield name, self.owner(name), (state.next >= state.low) & (state.next <= state.high)

    def owner(self, state: str) -> str:
        """Return what a state belongs to, by the first word of its name; a valve's states are its bay's."""
        return self._owner.get(state.removeprefix("judge.").removeprefix("stored.").split(".")[0], "site")

    def model(self, promises: Iterable[Promise], goals: Mapping[tuple[str, str], Expr]) -> Model:
        """Return the finished model; goals by (name, subject)."""
        judges = self._judge.program()
        named: list[Promise] = []
        outputs = dict(self._outputs)
        for promise in promises:
            clauses = tuple(
                replace(c, output=f"{promise.name}/{promise.subject}/{i}") for i, c in enumerate(promise.clauses)
            )
            outputs.update({c.output: c.holds for c in clauses})
            named.append(replace(promise, clauses=clauses))
        reached = tuple(Goal(name, subject, f"{name}/{subject}") for name, subject in goals)
        outputs.update({g.reached: goals[g.name, g.subject] for g in reached})
        inputs = {n: i for n, i in self._scheme.inputs.items() if n not in self._stored}
        program = Program(
            MappingProxyType({**inputs, **judges.inputs}),
            MappingProxyType({**self._states, **judges.states}),
            MappingProxyType(outputs),
        )
        return Model(
            self.site,
            self._scheme,
            program,
            tuple(named),
            reached,
            MappingProxyType(self._stored),
            MappingProxyType({name: self.owner(name) for name in program.states}),
            tuple(self.hints),
        )


def _tags_of_states(site: Site) -> dict[str, str]:
    """Return the owner of the states that begin with each tag of the site."""
    owner = {
        thing.tag: thing.tag for things in (site.vessels, site.bays, site.rules, site.promises) for thing in things
    }
    return owner | {v.tag: v.bay for v in site.valves} | {a.tag: a.vessel for a in site.alarms}


def _restartable(
    scheme: Program, crash: Expr, read_as: Mapping[str, Expr]
) -> tuple[dict[str, State], dict[str, Expr]]:
    """Return the scheme's states and outputs as they are when crash may take every state back to its first value.

    read_as: what some inputs of the scheme read as.
    """
    before = {name: choose(crash, s.first, Expr(Op.PREVIOUS, s.type, (), name)) for name, s in scheme.states.items()}
    new: dict[Expr, Expr] = {}
    for node in ordered([s.next for s in scheme.states.values()] + list(scheme.outputs.values())):
        if node.op is Op.PREVIOUS:
            new[node] = before[str(node.value)]
        elif node.op is Op.INPUT and node.value in read_as:
            new[node] = read_as[str(node.value)]
        elif all(new[a] is a for a in node.args):
            new[node] = node
        else:
            new[node] = Expr(node.op, node.type, tuple(new[a] for a in node.args), node.value)
    return (
        {name: replace(s, next=new[s.next]) for name, s in scheme.states.items()},
        {name: new[e] for name, e in scheme.outputs.items()},
    )
