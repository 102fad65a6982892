"""JSGF grammars: read, parse with, sample from.

The subset of the JSpeech Grammar Format (W3C Note, 2000) used in grammars/: rules, imports, alternatives
with /weights/, <NULL>, [optional], (groups), * and +, and {tags}. Rule names are unique over all files read together,
so `import <numbers.*>;` only states where the names of a file come from; it is checked.

A grammar here is ambiguous on purpose: "one twenty" is 120 by one rule and 1.20 by another. `parse` therefore
returns every derivation, and the language decides later, with reasons.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from itertools import accumulate, product

from lark import Lark, Token, Transformer, UnexpectedInput

from assistant.errors import Problem

ANY = ""  # among the first words of what may be empty
REPEAT_IN_SAMPLES = 3  # longest run of a repeated item in a sampled sentence: readings have few digits


class GrammarError(Problem):
    """A grammar file is wrong; the message names file, line and what to mend."""


@dataclass(frozen=True)
class Word:
    """A word to be said, and where the grammar writes it."""

    text: str
    file: str = field(default="", compare=False)
    line: int = field(default=0, compare=False)


@dataclass(frozen=True)
class Ref:
    """A reference to another rule."""

    rule: str
    file: str = field(default="", compare=False)
    line: int = field(default=0, compare=False)


@dataclass(frozen=True)
class Series:
    """Items said one after another."""

    items: tuple[Expansion, ...]


@dataclass(frozen=True)
class Choice:
    """One of several, with relative weights: how often people say each. What has none is parsed, and never expected."""

    options: tuple[Expansion, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True)
class Repeat:
    """An item said `least` (0 or 1) to `most` times; None is no upper bound."""

    item: Expansion
    least: int
    most: int | None


@dataclass(frozen=True)
class Tagged:
    """An item with a tag that the evaluation of the words reads."""

    item: Expansion
    tag: str


Expansion = Word | Ref | Series | Choice | Repeat | Tagged


@dataclass(frozen=True, init=False)
class Node:
    """A derivation: the rule that matched, the tags on the way, and what it was made of."""

    rule: str
    parts: tuple[Node | str, ...]
    tags: tuple[str, ...]

    def __init__(self, rule: str, parts: tuple[Node | str, ...], tags: tuple[str, ...] = ()) -> None:
        # The constructor of a frozen dataclass takes four times as long, and the phrases of a question make 50,000.
        self.__dict__.update(rule=rule, parts=parts, tags=tags)

    def nodes(self, rule: str) -> list[Node]:
        """The direct parts made by `rule`."""
        return [part for part in self.parts if isinstance(part, Node) and part.rule == rule]

    def node(self, rule: str) -> Node | None:
        """The first direct part made by `rule`, if any."""
        return next(iter(self.nodes(rule)), None)

    @cached_property
    def words(self) -> tuple[str, ...]:
        """Every word below, in order."""
        return tuple(word for part in self.parts for word in ([part] if isinstance(part, str) else part.words))


_Draw = Callable[[], float]
_Sampler = Callable[[_Draw, list[Node | str], list[str]], None]
"""Adds the parts and the tags of one sentence."""
_Derived = tuple[int, tuple[Node | str, ...], tuple[str, ...]]
"""Where a derivation ends, its parts and its tags."""
_Deriver = Callable[["_Chart", int], Sequence[_Derived]]
"""Every derivation of an expansion that begins at a word."""

_FORMAT = r"""
start: "grammar" NAME ";" (import_ | rule)*
import_: "import" "<" NAME ".*" ">" ";"
rule: [PUBLIC] "<" NAME ">" "=" choice ";"
choice: weighted ("|" weighted)*
weighted: [WEIGHT] items
items: item+
?item: tagged | plain
tagged: plain TAG
?plain: repeat | atom
repeat: atom REPEAT
?atom: word | ref | "<NULL>" -> nothing | "[" choice "]" -> optional | "(" choice ")"
word: WORD
ref: "<" NAME ">"
PUBLIC: "public"
NAME: /[a-z][a-z0-9_]*/
WORD.-1: /[a-z']+/
WEIGHT: /\/[0-9.]+\//
TAG: /\{[^}]*\}/
REPEAT: /[*+]/
HEADER: /#JSGF[^;]*;/
COMMENT: /\/\/[^\n]*/
%ignore HEADER
%ignore COMMENT
%ignore /\s+/
"""
_READER = Lark(_FORMAT, parser="lalr")


class _Build(Transformer[Token, object]):
    def __init__(self, file: str) -> None:
        super().__init__()
        self.file = file
        self.rules: dict[str, Expansion] = {}
        self.public: list[str] = []
        self.imports: list[tuple[str, int]] = []
        self.name = ""

    def word(self, children: list[Token]) -> Word:
        return Word(str(children[0]), self.file, children[0].line or 0)

    def ref(self, children: list[Token]) -> Ref:
        return Ref(str(children[0]), self.file, children[0].line or 0)

    def nothing(self, _: list[Token]) -> Series:
        return Series(())

    def tagged(self, children: list[object]) -> Tagged:
        return Tagged(children[0], str(children[1])[1:-1].strip())  # type: ignore[arg-type]

    def repeat(self, children: list[object]) -> Repeat:
        return Repeat(children[0], 1 if str(children[1]) == "+" else 0, None)  # type: ignore[arg-type]

    def optional(self, children: list[Expansion]) -> Repeat:
        return Repeat(children[0], 0, 1)

    def items(self, children: list[Expansion]) -> Expansion:
        return children[0] if len(children) == 1 else Series(tuple(children))

    def weighted(self, children: list[object]) -> tuple[float, Expansion]:
        weight, expansion = children
        return (float(str(weight)[1:-1]) if weight else 1.0), expansion  # type: ignore[return-value]

    def choice(self, children: list[tuple[float, Expansion]]) -> Expansion:
        if len(children) == 1:
            return children[0][1]
        return Choice(tuple(e for _, e in children), tuple(w for w, _ in children))

    def rule(self, children: list[object]) -> None:
        public, name, expansion = children
        if str(name) in self.rules:
            raise GrammarError(f"{self.file}: the rule <{name}> is written twice; keep one.")
        self.rules[str(name)] = expansion  # type: ignore[assignment]
        if public:
            self.public.append(str(name))

    def import_(self, children: list[Token]) -> None:
        self.imports.append((str(children[0]), children[0].line or 0))

    def start(self, children: list[object]) -> None:
        self.name = str(children[0])


@dataclass(frozen=True)
class Grammar:
    """Rules by name, ready to parse with; see `read_grammars`.

    `public` lists, for each grammar file's name, the rules that stand for a whole utterance.
    """

    rules: Mapping[str, Expansion]
    public: Mapping[str, tuple[str, ...]]

    def parse(self, rule: str, words: Sequence[str]) -> list[Node]:
        """Every derivation of exactly these words from `rule`; empty when they are not a sentence of it."""
        chart = _Chart(self, tuple(words))
        return [node for end, node in chart.derive(rule, 0) if end == len(words)]

    def expected(self, rule: str, words: Sequence[str]) -> frozenset[str]:
        """The words with which a sentence of `rule` that begins with `words` could go on."""
        chart = _Chart(self, tuple(words))
        chart.derive(rule, 0)
        return frozenset(chart.wanted_at_end)

    def words(self, *rules: str) -> dict[str, Word]:
        """Every word that a sentence of the rules can hold, with the place where it is first written."""
        found: dict[str, Word] = {}
        for leaf in self.leaves(*rules):
            if isinstance(leaf, Word):
                found.setdefault(leaf.text, leaf)
        return found

    @property
    def vocabulary(self) -> dict[str, Word]:
        """Every word that can be said, with the place where it is first written."""
        return self.words(*(rule for rules in self.public.values() for rule in rules))

    def leaves(self, *rules: str) -> Iterator[Word | Ref]:
        """The words of the rules and of every rule that they lead to, and the references on the way."""
        seen: set[str] = set()
        waiting: list[Expansion] = [*map(Ref, reversed(rules))]
        while waiting:
            match e := waiting.pop():
                case Word():
                    yield e
                case Ref():
                    if e.rule not in seen:
                        seen.add(e.rule)
                        yield e
                        waiting.append(self.rules[e.rule])
                case Series():
                    waiting += reversed(e.items)
                case Choice():
                    waiting += reversed(e.options)
                case Repeat() | Tagged():
                    waiting.append(e.item)

    @cached_property
    def firsts(self) -> Mapping[str, frozenset[str]]:
        """The words with which a sentence of each rule can begin; ANY is among them for one that may be empty."""
        found: dict[str, frozenset[str]] = dict.fromkeys(self.rules, frozenset())
        before: dict[str, frozenset[str]] = {}
        while found != before:
            before = found
            found = {rule: _first(expansion, before) for rule, expansion in self.rules.items()}
        return found

    def sentences(self, rule: str) -> list[str]:
        """Every sentence of a rule without endless repetition that people are expected to say, each once."""
        return list(dict.fromkeys(" ".join(words) for words in self._sentences(Ref(rule))))

    def _sentences(self, e: Expansion) -> list[tuple[str, ...]]:
        match e:
            case Word():
                return [(e.text,)]
            case Ref():
                return self._sentences(self.rules[e.rule])
            case Series():
                return [sum(parts, ()) for parts in product(*map(self._sentences, e.items))]
            case Choice():
                weighed = zip(e.options, e.weights, strict=True)
                return [words for option, weight in weighed if weight for words in self._sentences(option)]
            case Repeat():
                return [*([()] if e.least == 0 else []), *self._sentences(e.item)]
            case Tagged():
                return self._sentences(e.item)

    def sample(self, rule: str, draw: _Draw) -> Node:
        """A derivation of one sentence of `rule`; each choice is made by weight with a number in [0, 1)."""
        if rule not in self._samplers:
            self._samplers[rule] = self._sampler(self.rules[rule])
        parts: list[Node | str] = []
        tags: list[str] = []
        self._samplers[rule](draw, parts, tags)
        return Node(rule, tuple(parts), tuple(tags))

    @cached_property
    def _samplers(self) -> dict[str, _Sampler]:
        return {}

    def _sampler(self, e: Expansion) -> _Sampler:
        """What samples an expansion. Built once for each rule: the phrases of a question take 10,000 samples."""
        match e:
            case Word(text):

                def word(_: _Draw, parts: list[Node | str], __: list[str]) -> None:
                    parts.append(text)

                return word
            case Ref(rule):

                def ref(draw: _Draw, parts: list[Node | str], _: list[str]) -> None:
                    parts.append(self.sample(rule, draw))

                return ref
            case Series(items):
                each = [self._sampler(item) for item in items]

                def series(draw: _Draw, parts: list[Node | str], tags: list[str]) -> None:
                    for item in each:
                        item(draw, parts, tags)

                return series
            case Choice(options, weights):
                several = [self._sampler(option) for option in options]
                up_to = list(accumulate(weights))

                def choice(draw: _Draw, parts: list[Node | str], tags: list[str]) -> None:
                    several[bisect(up_to, draw() * up_to[-1])](draw, parts, tags)

                return choice
            case Repeat(item, least, most):
                one, span = self._sampler(item), (REPEAT_IN_SAMPLES if most is None else most) - least + 1

                def repeat(draw: _Draw, parts: list[Node | str], tags: list[str]) -> None:
                    for _ in range(least + int(draw() * span)):
                        one(draw, parts, tags)

                return repeat
            case Tagged(item, tag):
                tagged = self._sampler(item)

                def with_tag(draw: _Draw, parts: list[Node | str], tags: list[str]) -> None:
                    tagged(draw, parts, tags)
                    tags.append(tag)

                return with_tag

    @cached_property
    def _derivers(self) -> dict[str, _Deriver]:
        return {}

    def deriver(self, rule: str) -> _Deriver:
        """What derives a rule from words. Built once for each rule: a visit has thousands of utterances parsed."""
        if rule not in self._derivers:
            self._derivers[rule] = self._derives(self.rules[rule])
        return self._derivers[rule]

    def _derives(self, e: Expansion) -> _Deriver:
        match e:
            case Word(text):
                here = (text,)

                def word(chart: _Chart, start: int) -> Sequence[_Derived]:
                    if start == len(chart.words):
                        chart.wanted_at_end.add(text)
                    elif chart.words[start] == text:
                        return ((start + 1, here, ()),)
                    return ()

                return word
            case Ref(rule):
                return lambda chart, start: [(end, (node,), ()) for end, node in chart.derive(rule, start)]
            case Series(items):
                each = [self._derives(item) for item in items]

                def series(chart: _Chart, start: int) -> Sequence[_Derived]:
                    found: Sequence[_Derived] = ((start, (), ()),)
                    for item in each:
                        found = [
                            (end2, parts + parts2, tags + tags2)
                            for end, parts, tags in found
                            for end2, parts2, tags2 in item(chart, end)
                        ]
                        if not found:
                            break
                    return found

                return series
            case Choice(options):
                several = [(self._derives(option), _first(option, self.firsts)) for option in options]
                by_word: dict[str, list[_Deriver]] = {}

                def choice(chart: _Chart, start: int) -> Sequence[_Derived]:
                    if start == len(chart.words):
                        return [found for option, _ in several for found in option(chart, start)]
                    word = chart.words[start]
                    if word not in by_word:  # most options are ruled out by the next word
                        by_word[word] = [option for option, firsts in several if word in firsts or ANY in firsts]
                    return [found for option in by_word[word] for found in option(chart, start)]

                return choice
            case Repeat(item, least, most):
                one = self._derives(item)

                def run(chart: _Chart, start: int, least: int, most: int | None) -> Sequence[_Derived]:
                    found: list[_Derived] = [(start, (), ())] if least == 0 else []
                    if most == 0:
                        return found
                    for end, parts, tags in one(chart, start):
                        if end > start:
                            rest = run(chart, end, 0, None if most is None else most - 1)
                            found += [(end2, parts + parts2, tags + tags2) for end2, parts2, tags2 in rest]
                    return found

                return lambda chart, start: run(chart, start, least, most)
            case Tagged(item, tag):
                tagged = self._derives(item)
                return lambda chart, start: [(end, parts, (*tags, tag)) for end, parts, tags in tagged(chart, start)]


def _first(e: Expansion, firsts: Mapping[str, frozenset[str]]) -> frozenset[str]:
    """The words with which an expansion can begin, as far as `firsts` knows those of the rules."""
    match e:
        case Word():
            return frozenset({e.text})
        case Ref():
            return firsts[e.rule]
        case Series():
            found = frozenset({ANY})
            for item in e.items:
                if ANY in found:
                    found = (found - {ANY}) | _first(item, firsts)
            return found
        case Choice():
            return frozenset().union(*(_first(option, firsts) for option in e.options))
        case Repeat():
            return _first(e.item, firsts) | (frozenset({ANY}) if e.least == 0 else frozenset())
        case Tagged():
            return _first(e.item, firsts)


class _Chart:
    """Top-down parsing with memory: each rule is derived once at each place."""

    def __init__(self, grammar: Grammar, words: tuple[str, ...]) -> None:
        self.grammar = grammar
        self.words = words
        self.memory: dict[tuple[str, int], list[tuple[int, Node]]] = {}
        self.wanted_at_end: set[str] = set()

    def derive(self, rule: str, start: int) -> list[tuple[int, Node]]:
        key = (rule, start)
        known = self.memory.get(key)
        if known is not None:
            return known
        self.memory[key] = []  # a rule that begins with itself finds nothing there, and ends
        if self._may_begin(rule, start):
            derived = self.grammar.deriver(rule)(self, start)
            found = [(end, Node(rule, parts, tags)) for end, parts, tags in derived]
            self.memory[key] = list(dict.fromkeys(found)) if len(found) > 1 else found
        return self.memory[key]

    def _may_begin(self, rule: str, start: int) -> bool:
        """Whether it is worth deriving: most rules are ruled out by the next word."""
        firsts = self.grammar.firsts[rule]
        return start == len(self.words) or ANY in firsts or self.words[start] in firsts


def read_grammars(texts: Mapping[str, str]) -> Grammar:
    """Reads grammar files together.

    texts: file name -> its text. Raises GrammarError with file and line for a text that is not JSGF, a rule
    written twice, a reference to a rule that no file has, or an import of a file that is not there.
    """
    return _read(tuple(texts.items()))


@lru_cache(maxsize=8)
def _read(texts: tuple[tuple[str, str], ...]) -> Grammar:
    """See `read_grammars`. Kept: the library's grammars are also those of each record that they began."""
    rules: dict[str, Expansion] = {}
    public: dict[str, tuple[str, ...]] = {}
    imports: list[tuple[str, str, int]] = []
    for file, text in texts:
        build = _Build(file)
        try:
            tree = _READER.parse(text)
        except UnexpectedInput as wrong:
            where = text.splitlines()[max(wrong.line - 1, 0)].strip() if text.strip() else "(empty file)"
            raise GrammarError(f"{file}, line {wrong.line}: this is not JSGF: {where}") from None
        try:
            build.transform(tree)
        except Exception as wrong:  # lark wraps what a rule raises
            cause = wrong.__context__ or wrong
            raise (cause if isinstance(cause, GrammarError) else wrong) from None
        for name, expansion in build.rules.items():
            if name in rules:
                raise GrammarError(f"{file}: the rule <{name}> is already in another file; rename one.")
            rules[name] = expansion
        public[build.name] = tuple(build.public)
        imports += [(file, name, line) for name, line in build.imports]
    for file, name, line in imports:
        if name not in public:
            raise GrammarError(f"{file}, line {line}: imports <{name}.*>, but no grammar has that name.")
    grammar = Grammar(rules, public)
    for leaf in grammar.leaves(*rules):
        if isinstance(leaf, Ref) and leaf.rule not in rules:
            raise GrammarError(f"{leaf.file}, line {leaf.line}: no rule is called <{leaf.rule}>.")
    return grammar
