"""Trains the acoustic network on synthesized and recorded speech, from random weights, with LF-MMI.

Speech is mixed, distorted and turned into features on the fly, so that no two batches are alike.
New shards that appear in the data folders while training runs are taken up.

    python train.py --data data/small data/kokoro --people speech --dictionary CMUDICT --minutes 20 --out field.pt
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import queue
import random
import threading
import time
from pathlib import Path

import numpy as np
import soundfile as sf
import torch
from torch.nn import functional as F

import augment
import features
import lfmmi
import shards
import words
from net import Norm, TdnnF, folded, load, pad

INVENTORY = [words.SIL, *words.PHONES, words.GARBAGE]  # phone p has pdfs 2p and 2p + 1
PHONE_ID = {p: i for i, p in enumerate(INVENTORY)}
WARPS = [0.86, 0.89, 0.92, 0.95, 0.98, 1.0, 1.02, 1.05, 1.08, 1.11, 1.14]
WINDOWS = [(2.5, 50), (4.0, 80), (6.0, 120), (9.0, 190)]  # seconds, most phones in a row
CHOICES = 3  # pronunciations tried for each row
FRAME_S = 0.03  # of the network's output
SEGMENTS = 9  # most utterances in a row
SHARES = {"kokoro": 0.30, "flite": 0.05, "festival": 0.02, "espeak": 0.03, "pico": 0.05, "joined": 0.12}
PEOPLE = {"an4": 0.15, "gsc": 0.11, "wake": 0.04, "read": 0.06}  # sets of people, each a speaker a group
KEPT_ASIDE = 15  # speakers of the people's recordings that are never trained on: for tuning


def group_of(voice: str) -> str:
    """Where utterances of a voice are drawn from: a person's own, of a synthesizer's all."""
    engine = voice.split(":", maxsplit=1)[0]
    return voice if engine in PEOPLE else engine


class Speech:
    """All speech, as one int16 array on the device, and where in it each utterance lies."""

    def __init__(self, device: torch.device, hours: float, lexicon: dict[str, list[list[str]]]):
        self.samples = torch.zeros(int(hours * 3600 * shards.RATE), dtype=torch.int16, device=device)
        self.used = 0
        self.groups: dict[str, list[tuple[int, int, str]]] = {}  # engine or speaker -> [(start, length, text)]
        self.single: dict[str, dict[str, list[tuple[int, int, str]]]] = {}  # voice -> word -> the same
        self.lexicon = lexicon
        self.seen: set[str] = set()

    def add(self, wave: np.ndarray, items: list[tuple[str, str, str, int, int]]) -> None:
        """items: (group, voice, text, start in wave, length)."""
        end = self.used + len(wave)
        if end > len(self.samples):
            return
        self.samples[self.used : end] = torch.from_numpy(np.ascontiguousarray(wave)).to(self.samples.device)
        for group, voice, text, start, length in items:
            if any(w not in self.lexicon for w in text.split()):  # a sentence of a reader, a name
                continue
            phones = sum(len(self.lexicon[w][0]) for w in text.split())
            if length / shards.RATE > 0.045 * phones:
                found = (self.used + start, length, text)
                self.groups.setdefault(group, []).append(found)
                if text in words.JOINED_SET:
                    self.single.setdefault(voice, {}).setdefault(text, []).append(found)
        self.used = end

    def scan(self, folders: list[str]) -> None:
        """Takes up the shards that are new."""
        for folder in folders:
            for path in sorted(Path(folder).glob("*.json")):
                name = str(path)[:-5]
                if name not in self.seen and Path(name + ".ogg").exists():
                    self.seen.add(name)
                    wave, index = shards.read(name)
                    self.add(
                        wave,
                        [(group_of(i["voice"]), i["voice"], i["text"], i["start"], i["length"]) for i in index],
                    )


def read_people(folder: str) -> list[tuple[str, str, np.ndarray]]:
    """[(speaker, text, int16 samples)] of folder/train.tsv."""
    rows = [line.split("\t") for line in (Path(folder) / "train.tsv").read_text(encoding="utf-8").splitlines()][1:]
    return [(row[2], row[1], sf.read(f"{folder}/{row[0]}", dtype="int16")[0]) for row in rows]


def kept_aside(people: list[tuple[str, str, np.ndarray]]) -> set[str]:
    """The speakers that training leaves out."""
    names = sorted({p[0] for p in people})
    random.Random(7).shuffle(names)
    return set(names[:KEPT_ASIDE])


class Batches:
    """Draws rows of utterances on a background thread."""

    def __init__(
        self, speech: Speech, shares: dict[str, float], job: set[str], rows: int, folders: list[str], seed: int
    ):
        self.speech, self.shares, self.job, self.rows, self.folders = speech, shares, job, rows, folders
        self.rng = random.Random(seed)
        self.windows = WINDOWS
        self.ready: queue.Queue = queue.Queue(maxsize=6)

    def start(self) -> None:
        """Begins to draw."""
        threading.Thread(target=self._fill, daemon=True).start()

    def _fill(self) -> None:
        scanned = time.time()
        while True:
            if time.time() - scanned > 15:
                self.speech.scan(self.folders)
                scanned = time.time()
            self.ready.put(self._draw())

    def phones(self, text: str, width: int, garbage: bool = False) -> tuple[list[int], list[bool]]:
        """Random pronunciation of all words, with an optional silence around each word."""
        seq, optional = [0], [True]
        for word in text.split():
            pron = [words.GARBAGE] if garbage and word not in self.job else self.rng.choice(self.speech.lexicon[word])
            seq += [*(PHONE_ID[p] for p in pron), 0]
            optional += [False] * len(pron) + [True]
        return seq + [-1] * (width - len(seq)), optional + [False] * (width - len(seq))

    def _joined(self) -> list[tuple[int, int, str]]:
        """The words of a reading, each said alone by the same voice."""
        rng = self.rng
        known = [v for v, said in self.speech.single.items() if len(said) > 30]
        if not known:
            return []
        voice = self.speech.single[rng.choice(known)]
        while True:
            texts = [w for w in words.joined_reading(rng) if w in voice]
            if texts:
                return [rng.choice(voice[w]) for w in texts]

    def _draw(self) -> tuple:
        rng, speech = self.rng, self.speech
        seconds, width = rng.choice(self.windows)
        rows = max(1, int(self.rows * 4 / seconds))
        groups = {k: [g for g in speech.groups if g.startswith(k)] for k in self.shares}
        kinds = [k for k in self.shares if groups[k] or k == "joined"]
        weights = [self.shares[k] for k in kinds]
        places = np.zeros((rows, SEGMENTS, 3), dtype=np.int64)  # start, length, offset
        speeds, gains = np.ones((rows, 1, 1), "f4"), np.zeros((rows, SEGMENTS, 1), "f4")
        seqs, optional, seqs2, optional2 = [], [], [], []
        even = np.ones((rows, features.scored_frames(seconds)), dtype=np.int64)
        for r in range(rows):
            kind = rng.choices(kinds, weights)[0]
            todo = self._joined() if kind == "joined" else []
            if not todo:
                group = speech.groups[rng.choice(groups[kind] or groups["flite"])]
                todo = [rng.choice(group) for _ in range(SEGMENTS + 4)]
                if kind == "read":  # most sentences are longer than most rows
                    most = (seconds - 0.9) * 0.86 * shards.RATE
                    fitting = [[u for u in speech.groups[g] if u[1] < most] for g in groups[kind]]
                    todo = rng.choice([each for each in fitting if each] or [todo])
                    rng.shuffle(todo)
            if rng.random() < 0.6:
                speeds[r] = rng.uniform(0.86, 1.16)
            at, texts, used, phones = rng.uniform(0.03, 0.8), [], 0, 1
            for start, length, text in [] if rng.random() < 0.03 else todo:
                takes = length / shards.RATE / speeds[r, 0, 0]
                more = sum(max(map(len, speech.lexicon[w])) + 1 for w in text.split())
                if at + takes > seconds - 0.05 or phones + more > width or used == SEGMENTS:
                    if kind == "joined":
                        break
                    continue
                places[r, used] = start, length, int(at * shards.RATE)
                gains[r, used] = 10 ** (rng.uniform(-4, 4) / 20)
                texts.append(text)
                even_out(even[r], at, takes, [PHONE_ID[p] for w in text.split() for p in speech.lexicon[w][0]])
                gap = rng.uniform(-0.03, 0.12) if kind == "joined" else math.exp(rng.uniform(-3.5, -0.2))
                used, phones, at = used + 1, phones + more, at + takes + gap
                if kind != "joined" and rng.random() < 0.2:
                    break
            said = " ".join(texts)
            for _ in range(CHOICES):
                seq, opt = self.phones(said, width)
                seqs.append(seq)
                optional.append(opt)
            seq, opt = self.phones(said, width, garbage=True)
            seqs2.append(seq)
            optional2.append(opt)
        return (
            seconds, torch.from_numpy(places), torch.from_numpy(speeds), torch.from_numpy(gains),
            torch.from_numpy(even),
            torch.tensor(seqs), torch.tensor(optional), torch.tensor(seqs2), torch.tensor(optional2),
        )  # fmt: skip


def even_out(row: np.ndarray, at: float, takes: float, phones: list[int]) -> None:
    """Marks in `row` the pdfs of an utterance as if all its phones took equally long; silence is pdf 1."""
    first, last = int(at / FRAME_S), min(int((at + takes) / FRAME_S), len(row))
    edges = [first + round((last - first) * k / len(phones)) for k in range(len(phones) + 1)]
    for phone, begin, end in zip(phones, edges[:-1], edges[1:], strict=True):
        row[begin:end] = 2 * phone + 1
        row[begin : min(begin + 1, end)] = 2 * phone


def waves(samples: torch.Tensor, seconds: float, places, speeds, gains) -> torch.Tensor:
    """Lays utterances into rows, each at its offset and speed."""
    t = torch.arange(int(seconds * shards.RATE), device=samples.device)
    out = torch.zeros(len(places), len(t), device=samples.device)
    for k in range(places.shape[1]):
        start, length, offset = places[:, k].unbind(1)
        position = (t - offset[:, None]) * speeds[:, 0]
        inside = (position >= 0) & (position < (length[:, None] - 1))
        whole = position.floor().clamp(min=0)
        part = position - whole
        index = start[:, None] + torch.minimum(whole.long(), (length[:, None] - 2).clamp(min=0))
        value = samples[index] * (1 - part) + samples[index + 1] * part
        out += torch.where(inside, value, 0.0) * gains[:, k] / 32768
    return out


class Judge:
    """How well isolated words of speakers kept aside are told apart, clean, noisy and at 8 kHz."""

    def __init__(self, clips, lexicon, device: torch.device):
        size = int(1.7 * shards.RATE)
        self.words = sorted({text for _, text, _ in clips})
        wave = torch.zeros(len(clips), size)
        for i, (_, _, samples) in enumerate(clips):
            short = samples[: size - 4800].astype("f4")
            wave[i, 4800 : 4800 + len(short)] = torch.from_numpy(short / max(1, np.abs(short).max()))
        noise = torch.randn(wave.shape, generator=torch.Generator().manual_seed(1)).cumsum(1)
        noise = noise - torch.nn.functional.avg_pool1d(noise[:, None], 201, 1, 100)[:, 0]
        level = wave.square().mean(1, keepdim=True).sqrt() * 1.3
        noisy = wave + noise / noise.square().mean(1, keepdim=True).sqrt() * level * 10 ** (-8 / 20)
        spectrum = torch.fft.rfft(wave)
        spectrum[:, int(spectrum.shape[1] * 3900 / 8000) :] = 0
        narrow = torch.fft.irfft(spectrum, size)
        self.truth = torch.tensor([self.words.index(text) for _, text, _ in clips], device=device)
        self.mfcc = features.Mfcc().to(device)
        self.x = [self.mfcc((w * 12000).round().to(device)) for w in (wave, noisy, narrow)]
        prons = [(i, p) for i, w in enumerate(self.words) for p in lexicon[w]]
        width = max(len(p) for _, p in prons) + 2
        self.owner = torch.tensor([i for i, _ in prons], device=device)
        self.seqs = torch.tensor(
            [[0, *(PHONE_ID[q] for q in p), 0] + [-1] * (width - len(p) - 2) for _, p in prons], device=device
        )
        self.optional = torch.zeros_like(self.seqs, dtype=torch.bool)

    @torch.no_grad()
    def __call__(self, net: TdnnF, lm: lfmmi.PhoneBigram) -> list[float]:
        """Percent right, clean, noisy and narrow-band."""
        shares = []
        for x in self.x:
            right = 0
            for i in range(0, len(x), 64):
                scores = net(pad(x[i : i + 64]))[:, :, :-2]
                n = len(scores)
                num = lfmmi.numerator(
                    scores.repeat_interleave(len(self.seqs), 0), self.seqs.repeat(n, 1), self.optional.repeat(n, 1), lm
                ).view(n, -1)
                right += (self.owner[num.argmax(1)] == self.truth[i : i + 64]).sum().item()
            shares.append(100 * right / len(x))
        return shares


def with_garbage(net: TdnnF) -> TdnnF:
    """The network with two more outputs, for the garbage phone; they are not trained and not stored."""
    old, net.output = net.output, torch.nn.Linear(net.output.in_features, 2 * len(INVENTORY))
    with torch.no_grad():
        net.output.weight[:-2], net.output.bias[:-2] = old.weight, old.bias
        net.output.weight[-2:], net.output.bias[-2:] = 0.0, 0.0
    return net


def save(net: TdnnF, path: str, garbage: bool = True) -> None:
    """Stores the network in half precision, its norms folded; without the garbage phone's outputs if so told."""
    state = {k: v.half().cpu() for k, v in folded(net).state_dict().items()}
    if not garbage:
        state = {k: v[:-2] if k.startswith("output.") else v for k, v in state.items()}
    torch.save(state, path + ".part")
    os.replace(path + ".part", path)


def bigrams(batches: Batches, texts: list[str], rng: random.Random) -> tuple[lfmmi.PhoneBigram, lfmmi.PhoneBigram]:
    """The phone bigrams without and with the garbage phone."""

    def corpus(garbage: bool) -> list[list[int]]:
        seqs = [batches.phones(text, 0, garbage)[0] for text in texts]
        return [[p for p in seq if p or rng.random() < 0.4] for seq in seqs]

    phones = len(INVENTORY)
    return lfmmi.PhoneBigram(phones - 1, corpus(False)), lfmmi.PhoneBigram(phones, corpus(True))


def arguments() -> argparse.Namespace:
    """The command line."""
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--data", nargs="+", required=True, help="folders of shards")
    ap.add_argument("--people", help="folder with train.tsv: recordings of people")
    ap.add_argument("--people-share", type=float, default=0.22)
    ap.add_argument("--dictionary", required=True, help="cmudict-en-us.dict of the pocketsphinx wheel")
    ap.add_argument("--vocabulary", help="a list of the job's words as JSON, instead of reading the grammars")
    ap.add_argument("--out", required=True)
    ap.add_argument("--minutes", type=float, default=20)
    ap.add_argument("--until", type=float, help="stop at this clock time (seconds since 1970) instead")
    ap.add_argument("--steps", type=int, help="stop after so many steps instead: the same seed gives the same weights")
    ap.add_argument("--init", help="weights to go on from, instead of random ones")
    ap.add_argument("--keep", type=int, default=0, help="also keep the weights of so many moments, evenly spread")
    ap.add_argument("--hours", type=float, default=30, help="room for so much speech")
    ap.add_argument("--rate", type=float, default=2e-3)
    ap.add_argument("--narrow", type=float, default=0.3, help="share of rows in the band of an 8 kHz microphone")
    ap.add_argument("--garbage", type=float, default=0.5, help="weight of the garbage phone's objective")
    ap.add_argument(
        "--dropout", type=float, default=0.25, help="most that a unit is multiplied by around 1, one factor a row"
    )
    ap.add_argument("--dim", type=int, default=768)
    ap.add_argument("--bottleneck", type=int, default=128)
    ap.add_argument("--final", type=int, default=192)
    ap.add_argument("--rows", type=int, default=160, help="rows of 4 seconds in a batch")
    ap.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    ap.add_argument("--graph", action="store_true", help="CUDA graphs for the objective")
    ap.add_argument("--judge-every", type=float, default=60)
    ap.add_argument(
        "--easy", type=float, default=0.12, help="share of the time in which the noise grows to its full level"
    )
    ap.add_argument(
        "--even", type=float, default=0.08, help="share of the time in which evenly spread phones guide the start"
    )
    ap.add_argument("--seed", type=int, default=1)
    return ap.parse_args()


def main() -> None:  # noqa: PLR0915 - one training, told in order
    """Trains and stores the averaged weights."""
    a = arguments()
    torch.manual_seed(a.seed)
    torch.set_float32_matmul_precision("high")
    device = torch.device(a.device)
    dictionary = words.read_dictionary(a.dictionary)
    lexicon = {w: p[:2] for w, p in dictionary.items()}
    if a.vocabulary:
        known = json.loads(Path(a.vocabulary).read_text(encoding="utf-8"))
    else:
        known = {"job": words.job_words(), "all": words.full_vocabulary()}
    lexicon.update(words.lexicon(known["all"], dictionary))

    speech = Speech(device, a.hours, lexicon)
    speech.scan(a.data)
    shares = {**SHARES, **PEOPLE}
    judge = None
    if a.people:
        people = read_people(a.people)
        aside = kept_aside(people)
        judge = Judge([p for p in people if p[0] in aside], lexicon, device)
        shares["people"] = a.people_share
        for speaker, text, wave in people:
            if speaker not in aside:
                speech.add(wave, [("people:" + speaker, "people:" + speaker, text, 0, len(wave))])
    print(
        {k: sum(len(v) for g, v in speech.groups.items() if g.split(":")[0] == k) for k in shares},
        f"{speech.used / shards.RATE / 3600:.2f} hours",
        flush=True,
    )

    batches = Batches(speech, shares, set(known["job"]), a.rows, a.data, a.seed)
    words_alone = ("people", "gsc")  # they would make the bigrams those of single words
    texts = [text for g, said in speech.groups.items() if not g.startswith(words_alone) for _, _, text in said]
    lm, lm_all = (part.to(device) for part in bigrams(batches, texts, random.Random(a.seed)))
    batches.start()
    mfcc = features.Mfcc(WARPS, masked=0.5).to(device)
    distort = augment.Augment(device, a.seed, narrow=a.narrow)

    def features_of(seconds, places, speeds, gains):
        wave = distort(waves(speech.samples, seconds, places, speeds, gains))
        warp = torch.randint(len(WARPS), (len(wave),), device=device)
        warp = torch.where(torch.rand(len(wave), device=device) < 0.6, warp, WARPS.index(1.0))
        return pad(mfcc(wave, warp))

    if a.init:
        net, a.easy, a.even = load(a.init), 0.0, 0.0
        if net.output.out_features < 2 * len(INVENTORY):
            net, a.garbage = with_garbage(net), 0.0
        net = net.to(device).train()
    else:
        net = TdnnF(2 * len(INVENTORY), dim=a.dim, bottleneck=a.bottleneck, final=a.final, norm=Norm).to(device)
        with torch.no_grad():
            net.output.weight.mul_(0.1)
            net.output.bias.zero_()
    print(f"{sum(p.numel() for p in net.parameters()) / 1e6:.2f} M parameters", flush=True)
    optimizer = torch.optim.AdamW(net.parameters(), lr=a.rate, weight_decay=1e-3, betas=(0.9, 0.98))
    average = copy.deepcopy(net).eval()
    objective = lfmmi.Objective(lm, lm_all)
    graphed: dict = {}

    def value_of(scores, *labels):
        if not a.graph:
            return objective(scores, *labels)
        if scores.shape not in graphed:
            sample = (scores.detach().clone().requires_grad_(True), *(x.clone() for x in labels))
            graphed[scores.shape] = torch.cuda.make_graphed_callables(lfmmi.Objective(lm, lm_all), sample)
        return graphed[scores.shape](scores, *labels)

    start, step, total, judged = time.time(), 0, [], time.time()
    end = a.until or start + a.minutes * 60
    kept = 0
    while (used := step / a.steps if a.steps else (time.time() - start) / (end - start)) < 1:
        rate = a.rate * min(1, (step + 1) / 400) * (0.003 + 0.997 * 0.5 * (1 + math.cos(math.pi * used)))
        for group in optimizer.param_groups:
            group["lr"] = rate
        distort.snr = (25 * max(0.0, 1 - used / a.easy) if a.easy else 0.0, 40)
        batches.windows = WINDOWS[:1] if used < a.easy / 3 else WINDOWS
        seconds, *rest = batches.ready.get()
        places, speeds, gains, even, *labels = (r.to(device, non_blocking=True) for r in rest)
        with torch.no_grad():
            x = features_of(seconds, places, speeds, gains)
            ramp = 0.0 if used < 0.15 else a.dropout * min(1.0, (used - 0.15) / 0.3, (1 - used) / 0.3)
            for layer in net.layers:
                layer.noise = ramp
        scores = net(x)
        value, value2, size = value_of(scores, *labels)
        loss = 5e-4 * size - value - a.garbage * value2
        if used < a.even:
            loss = loss + (1 - used / a.even) * F.cross_entropy(scores[:, :, :-2].flatten(0, 1), even.flatten())
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        step += 1
        with torch.no_grad():
            keep = min(0.998, step / (step + 10))
            for mean, now in zip(average.state_dict().values(), net.state_dict().values(), strict=True):
                mean.lerp_(now, 1 - keep)
        total.append(torch.stack([value.detach(), value2.detach()]))
        if step in (1, 10, 50) or step % 200 == 0:
            shown = torch.stack(total).mean(0).tolist()
            print(
                f"{time.time() - start:6.0f} s  step {step}  objective {shown[0]:.4f}  garbage {shown[1]:.4f}  "
                f"{speech.used / shards.RATE / 3600:.2f} hours of speech", flush=True,
            )  # fmt: skip
            total = []
        if kept < a.keep and used * (a.keep + 1) >= kept + 1:
            kept += 1
            save(average, f"{a.out}.{kept}", garbage=bool(a.garbage))
        if time.time() - judged > a.judge_every:
            save(average, a.out, garbage=bool(a.garbage))
            if judge:
                print("          words told apart, speakers kept aside: clean, noisy, 8 kHz "
                      + "  ".join(f"{s:.1f} %" for s in judge(average, lm)), flush=True)  # fmt: skip
            judged = time.time()
    save(average, a.out, garbage=bool(a.garbage))
    final = "  ".join(f"{s:.1f} %" for s in judge(average, lm)) if judge else ""
    print(f"done, {step} steps  words told apart {final}", flush=True)


if __name__ == "__main__":
    main()
