"""Which clauses of a model hold in every scan, and why: sameness first, then facts, slice by slice.

A model -> the clauses that are proved and a certificate. Theory of operation. The judges keep much of what the scheme
keeps; so first every state and node that always equals another is merged with it, vessel by vessel and bay by bay.
Then each clause is proved in a slice of the states of its bays, with what others say left free; where that is not
enough, in a wider one. What is found out about one slice serves for every other that is equal but for names, so a
yard of like bays costs hardly more than one of them. A clause that is not proved may hold all the same: whoever asks
looks for a counter-example next.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from itertools import chain
from types import MappingProxyType
from typing import Any

from sidetap.promises.model import Clause, Model
from sidetap.scheme import Expr, Op, Program, Type, ordered
from sidetap.verify import facts
from sidetap.verify.graph import Graph
from sidetap.verify.lemmas import lemmas
from sidetap.verify.slices import EVERYBODY, Cut, Slice, Speakers, cut_out
from sidetap.verify.smt import UNBOUNDED
from sidetap.verify.texts import from_json, to_json
from sidetap.verify.twins import same_nodes, twins

_JUDGES = ("judge.", "stored.")


@dataclass(slots=True)
class Memory:
    """What was found out about slices, by their keys: positions in the slice's names, so that it fits all like it."""

    twins: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    same: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    outcomes: dict[str, tuple[tuple[str, ...], frozenset[int], tuple[Expr, ...]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Proof:
    """holds: names of the outputs that are true in every scan. certificate: JSON values that ``recheck`` takes."""

    holds: frozenset[str]
    certificate: Mapping[str, Any]


def prove(model: Model, memory: Memory | None = None, tell: Callable[[float], None] | None = None) -> Proof:
    """Return what can be proved of a model's clauses.

    memory: of earlier proofs, and for later ones. tell: called with the share of the work that is done.
    """
    memory = Memory() if memory is None else memory
    return _within_ranges(model, lambda within: Prover(within, memory), tell or (lambda _share: None))


def prove_again(model: Model, certificate: Mapping[str, Any]) -> Proof:
    """Return what of a model's clauses can be proved with what a certificate says, and nothing else.

    ValueError for a certificate of another form.
    """
    try:
        claimed = {str(a): str(b) for a, b in certificate["same"]}
        said = chain(certificate["equal"], *(kept["facts"] for kept in certificate["slices"]))
        told = list(dict.fromkeys(json.dumps(fact) for fact in said))
    except (KeyError, TypeError, ValueError):
        raise ValueError("not a certificate of this version") from None
    pool = [from_json(model.program, json.loads(fact)) for fact in told]
    return _within_ranges(model, lambda within: Prover(within, Memory(), claimed, pool), lambda _share: None)


def _within_ranges(model: Model, prover: Callable[[Model], Prover], tell: Callable[[float], None]) -> Proof:
    """Return a proof that assumes of a state that it keeps its range only where that is proved with it."""
    clauses = [c for p in model.promises for c in p.clauses]
    while True:
        numbers = {n: s for n, s in model.program.states.items() if s.type is Type.INT and s.high < UNBOUNDED}
        ranges = {f"range {n}": (s.next >= s.low) & (s.next <= s.high) for n, s in numbers.items()}
        owed = [
            Clause("", e, f"range {n}", (model.owners[n],)) for n, e in zip(numbers, ranges.values(), strict=True)
        ]
        program = replace(model.program, outputs={**model.program.outputs, **ranges})
        proof = prover(replace(model, program=program)).prove([*clauses, *owed], tell)
        left = [n for n in numbers if f"range {n}" not in proof.holds]
        if not left:
            return replace(proof, holds=proof.holds - ranges.keys())
        wide = {n: replace(model.program.states[n], low=-UNBOUNDED, high=UNBOUNDED) for n in left}
        model = replace(model, program=replace(model.program, states={**model.program.states, **wide}))


class Prover:
    """One model in normal form, and what is the same in it.

    claimed, pool: which states are said to be twins, and what else is said; both are looked for where they are None.
    """

    def __init__(
        self,
        model: Model,
        memory: Memory,
        claimed: Mapping[str, str] | None = None,
        pool: Sequence[Expr] | None = None,
    ) -> None:
        self._model, self._memory = model, memory
        self._graph = Graph()
        self.program = self._graph.program(model.program)
        self._owners = _owners(model)
        self._speakers = Speakers(self._owners)
        self._vessels = [v.tag for v in model.site.vessels]
        self._bays = [b.tag for b in model.site.bays]
        self._become: dict[Expr, Expr] = {}
        self._same: list[tuple[str, str]] = []
        self._kept: list[dict[str, Any]] = []
        self._claimed = claimed
        self._guesses_too = pool is None
        self._said = [*lemmas(model.site), *model.hints] if pool is None else list(pool)
        self._equal: tuple[Expr, ...] = ()

    def prove(self, clauses: Sequence[Clause], tell: Callable[[float], None]) -> Proof:
        """Merge what is the same, and prove the clauses."""
        self._merge_states([EVERYBODY], Cut.SAYINGS)
        self._merge_states(self._vessels, Cut.VERDICTS)
        self._merge_equal_facts()
        tell(0.2)
        self._merge_nodes()
        self._merge_states(self._bays, Cut.SAYINGS)
        self._merge_states(sorted(set(self._owners.values()) - {EVERYBODY, *self._vessels, *self._bays}), Cut.SAYINGS)
        tell(0.4)
        pool = _Pool(self._normal(self._said), self._owners)
        holds = {c.output for c in clauses if self.program.outputs[c.output].value is True}
        groups = list(self._groups(c for c in clauses if c.output not in holds))
        for n, (around, lot) in enumerate(groups):
            holds |= self._prove_around(around, lot, pool)
            tell(0.4 + 0.6 * (n + 1) / len(groups))
        return Proof(
            frozenset(holds),
            {
                "same": self._same,
                "equal": [to_json(fact) for fact in self._equal],
                "slices": self._kept,
            },
        )

    # -- sameness ------------------------------------------------------------------------------------------------

    def _merge_states(self, tags: Iterable[str], at: Cut) -> None:
        """Merge the twins among the states of each owner."""
        found: dict[str, str] = {}
        for tag in tags:
            mine = [n for n in self.program.states if self._owners[n] == tag]
            if not mine:
                continue
            part = cut_out(self._graph, self.program, self._speakers, {tag, EVERYBODY}, (), mine, at=at)
            if part.key not in self._memory.twins:
                place = {name: i for i, name in enumerate(part.names)}
                pairs = twins(self._graph, part.program, self._claimed).items()
                self._memory.twins[part.key] = [(place[a], place[b]) for a, b in pairs]
            named = ((part.names[a], part.names[b]) for a, b in self._memory.twins[part.key])
            found.update((a, b) for a, b in named if self._owners[a] == tag)
        self._merge(found)

    def _merge_equal_facts(self) -> None:
        """Merge states that a lemma of the whole site calls equal, once that is proved."""
        pool = self._normal(self._said)
        equal = {f"equal {i}": pair for i, pair in enumerate(filter(None, map(_pair, pool)))}
        owners = {self._owners[n] for pair in equal.values() for n in pair}
        outputs = {name: self._graph.take([_equality(self.program, *pair)]) for name, pair in equal.items()}
        whole = replace(self.program, outputs={n: list(known.values())[-1] for n, known in outputs.items()})
        part = cut_out(self._graph, whole, self._speakers, owners | {EVERYBODY}, whole.outputs)
        outcome = facts.prove(self._graph, part.program, pool, part.starts)
        self._equal = outcome.facts
        self._merge(dict(_in_order(*equal[name]) for name in sorted(outcome.holds)))

    def _merge_nodes(self) -> None:
        """Merge Boolean nodes that speak of one vessel alone and always have one value."""
        speakers = self._speakers
        wanted: dict[str, dict[Expr, None]] = {tag: {} for tag in self._vessels}
        roots = [*(s.next for s in self.program.states.values()), *self.program.outputs.values()]
        for node in ordered(roots):
            if node.type is Type.BOOL and node.args and len(of := speakers.of(node)) == 1:
                (tag,) = of
                if tag in wanted:
                    wanted[tag][node] = None
        same: dict[Expr, Expr] = {}
        # asked of any states in their ranges: what becomes of them has no say in it
        states = {n: replace(s, next=self._graph.previous(n, s.type)) for n, s in self.program.states.items()}
        for tag, nodes in wanted.items():
            outputs = {f"node {i}": n for i, n in enumerate(nodes)}
            whole = replace(self.program, states=states, outputs=outputs)
            part = cut_out(self._graph, whole, self._speakers, {tag, EVERYBODY}, outputs, at=Cut.STATES)
            listed = list(nodes)
            if part.key not in self._memory.same:
                place = {n: i for i, n in enumerate(listed)}
                pairs = same_nodes(part.program, listed).items()
                self._memory.same[part.key] = [(place[a], place[b]) for a, b in pairs]
            same.update((listed[a], listed[b]) for a, b in self._memory.same[part.key])
        self._become.update(same)
        self._rebuild(same, ())

    def _merge(self, found: Mapping[str, str]) -> None:
        """Let states read as their twins, and what such a state becomes in a scan as what its twin becomes."""
        if not found:
            return
        self._same += sorted(found.items())
        become = {self._previous(a): self._previous(b) for a, b in found.items()}
        self._become.update(become)
        after = {name: s.next for name, s in self.program.states.items()}
        known = self._rebuild(become, found)
        pairs = ((known[after[a]], known[after[b]]) for a, b in found.items())
        nodes = {x: y for x, y in pairs if x is not y and x.args and not self._graph.is_in(x, y)}
        self._become.update(nodes)
        self._rebuild(nodes, ())

    def _rebuild(self, become: Mapping[Expr, Expr], gone: Iterable[str]) -> dict[Expr, Expr]:
        """Let nodes read as others, without the states that are gone; return each old node with what it is now."""
        states, outputs = self.program.states, self.program.outputs
        known = self._graph.take([*(s.next for s in states.values()), *outputs.values()], become)
        out = set(gone)
        self.program = Program(
            self.program.inputs,
            MappingProxyType({n: replace(s, next=known[s.next]) for n, s in states.items() if n not in out}),
            MappingProxyType({n: known[e] for n, e in outputs.items()}),
        )
        return known

    def _normal(self, found: Iterable[Expr]) -> list[Expr]:
        """Return candidates as they read now; those over states that don't exist are left out."""
        states = self._model.program.states.keys()
        real = [c for c in found if states >= set(facts.states_of(c))]
        first = self._graph.take(real)
        known = self._graph.take([first[c] for c in real], self._through())
        return [c for c in dict.fromkeys(known[first[c]] for c in real) if c.value is not True]

    def _through(self) -> dict[Expr, Expr]:
        """Return what states have become, over several mergings."""
        final: dict[Expr, Expr] = {}
        for node, other in self._become.items():
            seen = {node}
            while other in self._become and other not in seen:  # two may have become each other, at different times
                seen.add(other)
                other = self._become[other]
            final[node] = other
        return final

    # -- clauses -------------------------------------------------------------------------------------------------

    def _groups(self, clauses: Iterable[Clause]) -> Iterator[tuple[frozenset[str], list[Clause]]]:
        """Yield clauses with the bays and rules that they speak of, or with all where no bay is among it."""
        groups: dict[frozenset[str], list[Clause]] = defaultdict(list)
        bays, far = set(self._bays), {EVERYBODY, *self._vessels}
        for clause in clauses:
            near = frozenset(clause.near)
            groups[near - far if near & bays else near].append(clause)
        yield from groups.items()

    def _prove_around(self, around: frozenset[str], clauses: Sequence[Clause], pool: _Pool) -> set[str]:
        candidates = pool.within(around | {o for c in clauses for o in c.near})
        candidates += self._guesses(around)
        outputs = [c.output for c in clauses]
        # bays choose among their vessels by what others say one by one; a vessel hardly looks at others
        nearest = Cut.SAYINGS if around & set(self._bays) else Cut.VERDICTS
        holds, found = self._in_slice(around, outputs, candidates, nearest)
        wider: dict[frozenset[str], list[str]] = defaultdict(list)
        for clause in clauses:
            if clause.output not in holds:
                wider[around | set(clause.near)].append(clause.output)
        for owners, left in wider.items():
            guesses = self._guesses(owners)
            more, _ = self._in_slice(owners, left, [*found, *candidates, *guesses], Cut.STATES)
            holds |= more
        return holds

    def _guesses(self, owners: Set[str]) -> list[Expr]:
        """Return what states of a rule or a promise of the site's own may have to do with those around them."""
        if not self._guesses_too:
            return []
        graph, small = self._graph, owners - {EVERYBODY, *self._vessels, *self._bays}
        # of a bay, whether its valves are open; of a vessel or a rule, all
        open_valves = {f"{v.tag}.command" for v in self._model.site.valves}
        within = owners - set(self._bays) - {EVERYBODY}
        near = {n: s for n, s in self.program.states.items() if self._owners[n] in within or n in open_valves}
        guessed: list[Expr] = []
        for name in (n for n in near if self._owners[n] in small):
            for other, state in near.items():
                if other == name or state.type is not near[name].type:
                    continue
                a, b = self._previous(name), self._previous(other)
                guessed += [~a | b, ~a | ~b] if state.type is Type.BOOL else [a <= b, b <= a]
        known = graph.take(guessed)
        return [known[g] for g in guessed]

    def _in_slice(
        self, owners: frozenset[str], outputs: Sequence[str], candidates: Sequence[Expr], at: Cut
    ) -> tuple[set[str], list[Expr]]:
        wanted = owners | {EVERYBODY}
        part = cut_out(self._graph, self.program, self._speakers, wanted, outputs, at=at)
        known = self._memory.outcomes.get(part.key)
        if known is None:
            outcome = facts.prove(self._graph, part.program, candidates, part.starts)
            places = frozenset(i for i, name in enumerate(outputs) if name in outcome.holds)
            known = self._memory.outcomes[part.key] = (part.names, places, outcome.facts)
        found = self._renamed(known[2], known[0], part)
        holds = {outputs[i] for i in known[1]}
        self._kept.append(
            {
                "owners": sorted(wanted),
                "at": at.name.lower(),
                "clauses": [o for o in outputs if o in holds],
                "facts": [to_json(f) for f in found],
            }
        )
        return holds, found

    def _renamed(self, found: Sequence[Expr], names: tuple[str, ...], part: Slice) -> list[Expr]:
        """Return facts about another slice, perhaps of another model, as facts about this one."""
        states = part.program.states
        become = {
            self._graph.previous(old, states[new].type): self._previous(new)
            for old, new in zip(names, part.names, strict=True)
            if new in states
        }
        here = self._graph.take(found)
        known = self._graph.take([here[f] for f in found], become)
        return [known[here[f]] for f in found]

    def _previous(self, name: str) -> Expr:
        return self._graph.previous(name, self._model.program.states[name].type)


class _Pool:
    """Candidates, to be had by whose states they speak of."""

    def __init__(self, candidates: Iterable[Expr], owners: Mapping[str, str]) -> None:
        self._all = [(c, {owners[n] for n in facts.states_of(c)} - {EVERYBODY}) for c in candidates]

    def within(self, owners: Set[str]) -> list[Expr]:
        """Return those that speak of none but these."""
        return [c for c, of in self._all if of <= owners]


def _owners(model: Model) -> dict[str, str]:
    """Return the owners of states and inputs: a wired input is its bay's, what belongs to none is everybody's."""
    site, owners = model.site, dict(model.owners)
    for bay in site.bays:
        wired = (bay.auto_input, bay.hand_input, bay.stop_input, bay.hose_input, bay.open_key, bay.close_key)
        owners.update(dict.fromkeys((*bay.run_permissives, *wired), bay.tag))
    for valve in site.valves:
        owners.update(dict.fromkeys((valve.closed_switch, valve.open_switch), valve.bay))
    tags = {v.tag: v.tag for v in site.vessels} | {b.tag: b.tag for b in site.bays}
    tags |= {v.tag: v.bay for v in site.valves}
    for name in model.program.inputs:
        word = name.split(".")[0]
        if "." in name and word in tags:
            owners[name] = tags[word]
    return owners


def _pair(fact: Expr) -> tuple[str, str] | None:
    """Return the names of two states that a fact calls equal numbers, None when it says anything else."""
    if fact.op is Op.EQUAL and all(a.op is Op.PREVIOUS for a in fact.args):
        return str(fact.args[0].value), str(fact.args[1].value)
    return None


def _equality(program: Program, a: str, b: str) -> Expr:
    return Expr(Op.PREVIOUS, program.states[a].type, (), a).equals(Expr(Op.PREVIOUS, program.states[b].type, (), b))


def _in_order(a: str, b: str) -> tuple[str, str]:
    """Return two states, the one that stands for both last: the scheme's, not a judge's."""
    return (b, a) if b.startswith(_JUDGES) else (a, b)
