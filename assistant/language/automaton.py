"""The smallest automaton that takes exactly the sentences of some rules, for an engine that reads one.

A grammar written out rule by rule makes such an engine search the same words many times over; as a minimal
automaton of words the readings are 124 states instead of 22,000.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from assistant.language.jsgf import Choice, Expansion, Grammar, Ref, Repeat, Series, Tagged, Word


@dataclass(frozen=True)
class Automaton:
    """States 0 to `states` - 1, the one to start in, those that may end, and arcs (from, word, to)."""

    states: int
    start: int
    ends: frozenset[int]
    arcs: tuple[tuple[int, str, int], ...]


def automaton(grammar: Grammar, rules: Sequence[str]) -> Automaton:
    """The minimal automaton of the sentences of `rules`."""
    net = _Net(grammar)
    start, end = net.state(), net.state()
    for rule in rules:
        net.free(net.build(Ref(rule), start), end)
    return _smallest(*_deterministic(net, start, end))


@dataclass
class _Net:
    """A network with free steps, as the grammar writes it."""

    grammar: Grammar
    free_steps: list[list[int]] = field(default_factory=list)
    arcs: list[list[tuple[str, int]]] = field(default_factory=list)

    def state(self) -> int:
        self.free_steps.append([])
        self.arcs.append([])
        return len(self.arcs) - 1

    def free(self, source: int, target: int) -> None:
        self.free_steps[source].append(target)

    def build(self, e: Expansion, start: int) -> int:
        """Adds what `e` takes from `start` on; returns where it ends."""
        match e:
            case Word():
                end = self.state()
                self.arcs[start].append((e.text, end))
                return end
            case Ref():
                return self.build(self.grammar.rules[e.rule], start)
            case Tagged():
                return self.build(e.item, start)
            case Series():
                for item in e.items:
                    start = self.build(item, start)
                return start
            case Choice():
                end = self.state()
                for option in e.options:
                    branch = self.state()
                    self.free(start, branch)
                    self.free(self.build(option, branch), end)
                return end
            case Repeat():
                first, end = self.state(), self.state()
                self.free(start, first)
                last = self.build(e.item, first)
                self.free(last, end)
                if e.least == 0:
                    self.free(start, end)
                if e.most is None:
                    self.free(last, first)
                return end

    def closed(self, states: Iterable[int]) -> frozenset[int]:
        """The states and all that free steps lead to."""
        found, waiting = set(states), list(states)
        while waiting:
            for target in self.free_steps[waiting.pop()]:
                if target not in found:
                    found.add(target)
                    waiting.append(target)
        return frozenset(found)


def _deterministic(net: _Net, start: int, end: int) -> tuple[list[dict[str, int]], list[bool]]:
    """For each set of states the words that leave it and where to; and whether it may end."""
    first = net.closed([start])
    numbers, order = {first: 0}, [first]
    leaving: list[dict[str, int]] = []
    for states in order:  # grows while it is walked
        targets: dict[str, set[int]] = {}
        for state in states:
            for word, target in net.arcs[state]:
                targets.setdefault(word, set()).add(target)
        row: dict[str, int] = {}
        for word, reached in sorted(targets.items()):
            closed = net.closed(reached)
            if closed not in numbers:
                numbers[closed] = len(order)
                order.append(closed)
            row[word] = numbers[closed]
        leaving.append(row)
    return leaving, [end in states for states in order]


def _smallest(leaving: list[dict[str, int]], ending: list[bool]) -> Automaton:
    """Joins states that nothing tells apart (Moore's method)."""
    kind = [int(ends) for ends in ending]
    while True:
        seen: dict[tuple[int, tuple[tuple[str, int], ...]], int] = {}
        finer = [
            seen.setdefault((kind[at], tuple((word, kind[to]) for word, to in row.items())), len(seen))
            for at, row in enumerate(leaving)
        ]
        if len(seen) == len(set(kind)):
            break
        kind = finer
    arcs = sorted({(kind[at], word, kind[to]) for at, row in enumerate(leaving) for word, to in row.items()})
    ends = frozenset(kind[at] for at, ends in enumerate(ending) if ends)
    return Automaton(len(set(kind)), kind[0], ends, tuple(arcs))
