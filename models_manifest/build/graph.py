"""Writes the decoding graph of a Vosk model: HCLr.fst, Gr.fst, words.txt and the rest.

The lexicon is a phone trie whose arcs are transition-ids.  Silence may stand between
words.  "[unk]" is any run of phones, at a price.  The text form is compiled with the
OpenFst tools of Debian (packages libfst-tools and libfst22-plugins-base).
"""

from __future__ import annotations

import glob
import math
import os
import subprocess
from dataclasses import dataclass

from kaldi_write import Phone, transition_ids
from words import GARBAGE, PHONES

PLUGINS = ":".join(glob.glob("/usr/lib/*/fst/*"))  # where Debian keeps the kind of graph that Vosk looks words up in
POSITIONS = {"B": "begin", "E": "end", "I": "internal", "S": "singleton"}
UNKNOWN = "[unk]"


@dataclass(frozen=True)
class Unknown:
    """The price of hearing [unk]: once for each stretch of garbage, for each further frame, for each phone."""

    garbage: float | None = 0.0  # None: a network without a garbage phone
    frame: float = 0.0
    phone: float | None = None  # None: no phone loop beside the garbage phone


def phone_table(garbage: bool = True) -> tuple[dict[str, int], list[Phone]]:
    """Names of the position-dependent phones -> ids, and their pdfs.

    Pdfs: 2p for the first frame of phone p, 2p + 1 for the others; p = 0 is silence.
    """
    names, phones = {"SIL": 1}, [Phone(1, 0, 1)]
    for p, phone in enumerate(PHONES, start=1):
        for position in POSITIONS:
            ident = len(names) + 1
            names[f"{phone}_{position}"] = ident
            phones.append(Phone(ident, 2 * p, 2 * p + 1))
    if not garbage:
        return names, phones
    ident = len(names) + 1  # the garbage phone is a whole word by itself
    names[f"{GARBAGE}_S"] = ident
    phones.append(Phone(ident, 2 * len(PHONES) + 2, 2 * len(PHONES) + 3))
    return names, phones


def positioned(pron: list[str]) -> list[str]:
    if len(pron) == 1:
        return [pron[0] + "_S"]
    return [pron[0] + "_B"] + [p + "_I" for p in pron[1:-1]] + [pron[-1] + "_E"]


class Graph:
    def __init__(self):
        self.arcs: list[str] = []
        self.states = 0

    def state(self) -> int:
        self.states += 1
        return self.states - 1

    def arc(self, source, target, inp=0, out=0, cost=0.0):
        self.arcs.append(f"{source} {target} {inp} {out} {cost:.5f}")

    def final(self, state, cost=0.0):
        self.arcs.append(f"{state} {cost:.5f}")


def lexicon_graph(lexicon, word_ids, names, tids, unknown, sil_prob=0.5) -> str:
    g = Graph()
    after, ready, silence = g.state(), g.state(), g.state()  # state 0 is the start
    sil_first, sil_more = tids[names["SIL"]]
    g.arc(after, ready, cost=-math.log(1 - sil_prob))
    g.arc(after, silence, sil_first, cost=-math.log(sil_prob))
    g.arc(silence, silence, sil_more)
    g.arc(silence, ready)
    g.final(after)
    g.final(silence)

    trie: dict = {}
    for word, prons in lexicon.items():
        for pron in prons:
            node = trie
            for phone in positioned(pron):
                node = node.setdefault(phone, {})
            node.setdefault("#", []).append(word)

    def leaves(node):
        for key, child in node.items():
            if key == "#":
                yield from child
            else:
                yield from leaves(child)

    def grow(node, source, said):
        for key, child in node.items():
            if key == "#":
                for word in child:
                    g.arc(source, after, 0, 0 if said else word_ids[word])
                continue
            words = list(leaves(child))
            unique = not said and len(words) == 1
            first, more = tids[names[key]]
            target = g.state()
            g.arc(source, target, first, word_ids[words[0]] if unique else 0)
            g.arc(target, target, more)
            grow(child, target, said or unique)

    grow(trie, ready, False)

    enter, middle = g.state(), g.state()
    g.arc(ready, enter, 0, word_ids[UNKNOWN])
    if unknown.garbage is not None:
        first, more = tids[names[f"{GARBAGE}_S"]]
        here = g.state()
        g.arc(enter, here, first, 0, unknown.garbage)
        g.arc(here, here, more, 0, unknown.frame)
        g.arc(here, after)
    if unknown.phone is not None:
        for phone in PHONES:
            for position, source, target in (("B", enter, middle), ("I", middle, middle), ("E", middle, after)):
                first, more = tids[names[f"{phone}_{position}"]]
                here = g.state()
                g.arc(source, here, first, 0, unknown.phone)
                g.arc(here, here, more)
                g.arc(here, target)
    return "\n".join(g.arcs) + "\n"


def tool(*command, data: bytes = b"") -> bytes:
    """What one of OpenFst's tools makes of `data`."""
    env = dict(os.environ, LD_LIBRARY_PATH=PLUGINS)
    try:
        return subprocess.run(command, input=data, env=env, check=True, capture_output=True).stdout
    except (OSError, subprocess.CalledProcessError) as wrong:
        said = getattr(wrong, "stderr", b"").decode(errors="replace").strip() or wrong
        raise SystemExit(
            f"{command[0]} failed; it needs: apt-get install libfst-tools libfst22-plugins-base\n{said}"
        ) from wrong


def write_graph(folder: str, lexicon, unknown) -> None:
    os.makedirs(f"{folder}/phones", exist_ok=True)
    names, phones = phone_table(unknown.garbage is not None)
    tids = transition_ids(phones)
    word_ids = {"<eps>": 0, UNKNOWN: 1}
    for word in sorted(lexicon):
        word_ids[word] = len(word_ids)

    text = lexicon_graph(lexicon, word_ids, names, tids, unknown)
    fst = tool("fstcompile", data=text.encode())
    fst = tool("fstarcsort", "--sort_type=olabel", data=fst)
    relabel = f"{folder}/relabel.tmp"
    fst = tool("fstconvert", "--fst_type=olabel_lookahead", f"--save_relabel_opairs={relabel}", data=fst)
    with open(f"{folder}/HCLr.fst", "wb") as f:
        f.write(fst)
    with open(relabel, encoding="ascii") as f:
        pairs = dict(map(int, line.split()) for line in f)
    os.unlink(relabel)
    new_ids = {w: pairs.get(i, i) for w, i in word_ids.items()}

    cost = math.log(len(word_ids))
    loop = (
        "".join(f"0 0 {i} {i} {cost + (5 if w == UNKNOWN else 0):.5f}\n" for w, i in new_ids.items() if i)
        + f"0 {cost:.5f}\n"
    )
    fst = tool("fstcompile", data=loop.encode())
    fst = tool("fstarcsort", "--sort_type=ilabel", data=fst)
    fst = tool("fstconvert", "--fst_type=const", data=fst)
    with open(f"{folder}/Gr.fst", "wb") as f:
        f.write(fst)

    with open(f"{folder}/words.txt", "w", encoding="utf-8") as f:
        for word, ident in sorted(new_ids.items(), key=lambda kv: kv[1]):
            f.write(f"{word} {ident}\n")
    with open(f"{folder}/phones.txt", "w", encoding="utf-8") as f:
        f.write("<eps> 0\n" + "".join(f"{n} {i}\n" for n, i in names.items()))
    with open(f"{folder}/phones/word_boundary.int", "w", encoding="utf-8") as f:
        for name, ident in names.items():
            kind = POSITIONS[name[-1]] if "_" in name else "nonword"
            f.write(f"{ident} {kind}\n")
    with open(f"{folder}/disambig_tid.int", "w", encoding="utf-8") as f:
        f.write(f"{2 * len(phones) + 1}\n")  # none is used, but the file must be there
