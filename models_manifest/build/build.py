"""Assembles a Vosk model folder from trained weights.

python build.py field.pt field_model --dictionary CMUDICT
"""

from __future__ import annotations

import argparse
import os

import features
import graph
import words
from kaldi_write import write_mdl
from net import load, to_nnet3

MODEL_CONF = """--min-active=200
--max-active=3000
--beam=12.0
--lattice-beam=4.0
--acoustic-scale=1.0
--frame-subsampling-factor=3
--endpoint.silence-phones=1
--endpoint.rule2.min-trailing-silence=0.5
--endpoint.rule3.min-trailing-silence=1.0
--endpoint.rule4.min-trailing-silence=2.0
"""


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("weights", help="or - to leave the network as it is and write the graph alone")
    ap.add_argument("folder")
    ap.add_argument("--dictionary", required=True)
    ap.add_argument("--garbage", type=float, default=0.0, help="price of [unk]")
    ap.add_argument("--no-garbage", action="store_true", help="the network has no garbage phone")
    ap.add_argument("--frame", type=float, default=0.0, help="price of each further frame of [unk]")
    ap.add_argument("--phone", type=float, help="price of each phone of [unk] as a loop of phones; left out: none")
    ap.add_argument("--bits", type=int, choices=(8, 16, 32), default=8, help="size of a stored weight")
    ap.add_argument("--vocabulary", help="file of words, instead of the job's words and 3,000 common ones")
    a = ap.parse_args()
    if a.weights != "-":
        for part in ("am", "conf"):
            os.makedirs(f"{a.folder}/{part}", exist_ok=True)
        write_mdl(f"{a.folder}/am/final.mdl", graph.phone_table()[1], to_nnet3(load(a.weights), a.bits))
        with open(f"{a.folder}/conf/model.conf", "w", encoding="ascii") as f:
            f.write(MODEL_CONF)
        with open(f"{a.folder}/conf/mfcc.conf", "w", encoding="ascii") as f:
            f.write(features.MFCC_CONF)
    os.makedirs(f"{a.folder}/graph", exist_ok=True)
    vocabulary = words.full_vocabulary()
    if a.vocabulary:
        with open(a.vocabulary, encoding="utf-8") as f:
            vocabulary = f.read().split()
    lexicon = words.lexicon(vocabulary, words.read_dictionary(a.dictionary))
    graph.write_graph(
        f"{a.folder}/graph", lexicon, graph.Unknown(None if a.no_garbage else a.garbage, a.frame, a.phone)
    )


if __name__ == "__main__":
    main()
