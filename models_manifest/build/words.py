"""Vocabulary, pronunciations and training sentences of the field model."""

from __future__ import annotations

import random
import re
import sys
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(ROOT))  # the grammars are read by the assistant's own reader

PHONES = [
    "AA",
    "AE",
    "AH",
    "AO",
    "AW",
    "AY",
    "B",
    "CH",
    "D",
    "DH",
    "EH",
    "ER",
    "EY",
    "F",
    "G",
    "HH",
    "IH",
    "IY",
    "JH",
    "K",
    "L",
    "M",
    "N",
    "NG",
    "OW",
    "OY",
    "P",
    "R",
    "S",
    "SH",
    "T",
    "TH",
    "UH",
    "UW",
    "V",
    "W",
    "Y",
    "Z",
    "ZH",
]
SIL = "SIL"
GARBAGE = "GBG"  # one phone for any speech that is not a word of the job
DECOYS = 3000

ONES = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
ZEROS = ["zero", "oh", "nought"]
DIGITS = ["zero", "oh", *ONES]
TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
RADIO = {"nine": "niner", "five": "fife", "three": "tree"}
FRACTIONS = [
    "half",
    "quarter",
    "quarters",
    "third",
    "thirds",
    "eighth",
    "eighths",
    "sixteenth",
    "sixteenths",
    "tenth",
    "tenths",
]
LETTERS = [*"abcdefghijklmnopqrstuvwxyz"]
NUMBER_WORDS = [
    *ZEROS, *ONES, *TEENS, *TENS, *RADIO.values(), *FRACTIONS,
    *["hundred", "thousand", "k", "point", "decimal", "hundredth", "hundredths", "and", "a", "double", "minus", "negative", "plus", "over", "under", "about", "around", "between", "to"],
]  # fmt: skip
UNIT_PHRASES = """ohm,ohms,kilohm,kilohms,k ohms,kilo ohms,megohm,megohms,meg ohms,meg,megs,milliohms,volt,volts,
millivolt,millivolts,amp,amps,milliamp,milliamps,microamp,microamps,micro amps,mike amps,mikes,inch,inches,
inches of water,inch water column,inches water column,inches w c,feet,cubic feet,cfm,pascal,pascals,kilopascal,
kilopascals,millibar,millibars,psi,p s i,pounds,degrees,degrees fahrenheit,degrees celsius,degrees f,degrees c,
ppm,p p m,parts per million,percent,second,seconds,secs,minute,minutes,btu,b t u,btu per hour,hertz,watts,
microfarads,k,milliseconds,volts a c,volts d c,v d c""".replace("\n", "").split(",")
SPECIAL_PHRASES = """open,open line,o l,infinite,infinity,short,shorted,dead short,dead,nothing,over limit,no reading,
out of range,overload""".replace("\n", "").split(",")
COMMAND_PHRASES = """yes,no,affirm,affirmative,correct,correction,negative,next,repeat,say again,again,back,go,go on,
go back,hold,hold on,stop,emergency,gas,i smell gas,gas smell,gas leak,leak,odor,odour,fire,help,skip,note,
take a note,end note,end,done,mark,start,clear,clear the area,area clear,understood,standby,stand by,louder,
quieter,slower,faster,what is the limit,what is the reading,how far,which step,helper,reading,resume,pause,cancel,
wait,wait one,last reading,next step,start timer,stop timer,flame on,flame off,gas on,gas off,power off,it is off,
pilot lit,proceed,roger,wilco,scratch that,evacuate,explosion,alarm,it smells,smells of gas""".replace("\n", "").split(
    ","
)
THINGS = """igniter,flame,flame signal,flame rod,flame sensor,sensor,pilot,burner,gas valve,valve,manifold,
manifold pressure,inlet,inlet pressure,outlet,outlet pressure,pressure,supply,supply pressure,line,line voltage,
voltage,polarity,hot,neutral,ground,hot to ground,neutral to ground,hot to neutral,cabinet,cabinet ground,
transformer,resistance,igniter resistance,current,igniter current,thermocouple,thermopile,open circuit,spark,
spark gap,gap,blower,fan,inducer,motor,switch,pressure switch,limit,limit switch,rollout,rollout switch,
temperature,temperature rise,rise,return,return air,supply air,static,static pressure,draft,oxygen,
carbon monoxide,carbon dioxide,monoxide,dioxide,co,flue,stack,stack temperature,meter,dial,clock,propane,
natural gas,natural,lp,standing pilot,intermittent pilot,direct spark,hot surface,hot surface ignition,ignition,
trial for ignition,trial,purge,pre purge,warm up,lockout,control board,door switch,capacitor,filter,technician,
supplier,soot,rust,scorch,crack,alarm,loop,flame loop""".replace("\n", "").split(",")
STATES = """cold,hot,high,low,good,bad,clean,dirty,cracked,broken,left,right,in,out,up,down,off,on,as found,as left,
found,warm,open,closed,normal,loose,wet,dry,fitted,rusty,scorched""".replace("\n", "").split(",")

# What hears like what: each set is trained on more, in the same places of a number.
CONTRASTS = [
    ["fifty", "sixty", "fifteen", "sixteen"], ["five", "nine"], ["seven", "eleven"],
    ["thirty", "thirteen", "forty", "fourteen"], ["eighty", "eighteen", "eight"], ["ninety", "nineteen", "nine"],
    ["seventy", "seventeen"], ["oh", "four"], ["one", "nine"], ["two", "three"], ["six", "eight"],
]  # fmt: skip

# What to give a synthesizer instead of the written word.
SPELLED = {
    "psi": "P S I", "btu": "B T U", "btus": "B T Us", "cfm": "C F M", "ppm": "P P M", "lp": "L P", "co": "C O",
    "hsi": "H S I", "kilohm": "kill ohm", "kilohms": "kill ohms", "megohm": "meg ohm", "megohms": "meg ohms",
    **{letter: letter.upper() for letter in LETTERS if letter != "a"},
}  # fmt: skip


def unique(phrases: Iterable[str]) -> list[str]:
    """The words of the phrases, each once, in order."""
    return list(dict.fromkeys(w for phrase in phrases for w in phrase.split()))


DOMAIN = unique([*NUMBER_WORDS, *UNIT_PHRASES, *SPECIAL_PHRASES, *COMMAND_PHRASES, *THINGS, *STATES, *LETTERS])


@cache
def grammar():
    """The assistant's grammars, as it reads them."""
    from assistant.language.jsgf import read_grammars

    return read_grammars({p.name: p.read_text(encoding="utf-8") for p in sorted((ROOT / "grammars").glob("*.jsgf"))})


def grammar_words() -> tuple[list[str], list[str]]:
    """The words of the job in the grammars, and the words that are only decoys there."""
    g = grammar()
    job: dict[str, None] = {}
    decoys: dict[str, None] = {}
    for name, rules in g.public.items():
        for rule in rules:
            (decoys if name == "decoys" else job).update(dict.fromkeys(g.words(rule)))
    return list(job), [w for w in decoys if w not in job]


def read_dictionary(path: str | Path) -> dict[str, list[list[str]]]:
    """A pronouncing dictionary in CMU's form: word -> its pronunciations (phones without stress)."""
    entries: dict[str, list[list[str]]] = {}
    with Path(path).open(encoding="utf-8") as lines:
        for line in lines:
            if line.strip() and not line.startswith(("#", ";;;")):
                word, *phones = line.split()
                entries.setdefault(re.sub(r"\(\d+\)$", "", word), []).append(phones)
    return entries


VOWELS = {"AA", "AE", "AH", "AO", "AW", "AY", "EH", "ER", "EY", "IH", "IY", "OW", "OY", "UH", "UW"}


def without_r(pron: list[str]) -> list[str]:
    """The pronunciation of someone who drops the r after a vowel (much of Britain)."""
    out: list[str] = []
    for i, phone in enumerate(pron):
        following = pron[i + 1] if i + 1 < len(pron) else None
        if phone == "R" and i and pron[i - 1] in VOWELS and following not in VOWELS:
            if pron[i - 1] in ("IH", "IY", "EH", "UH"):
                out.append("AH")
        elif phone == "ER" and (
            (following is None and len(pron) > 2) or (following == "Z" and i + 2 == len(pron) and len(pron) > 3)
        ):
            out.append("AH")
        else:
            out.append(phone)
    return out


def lexicon(words: Iterable[str], dictionary: dict[str, list[list[str]]]) -> dict[str, list[list[str]]]:
    """Word -> its pronunciations: ours if there are any, else the dictionary's first two."""
    own = read_dictionary(HERE / "pronunciations.dict")
    job = set(DOMAIN)
    out = {}
    for word in words:
        prons = own.get(word) or dictionary.get(word, [])[:2]
        if not prons:
            raise SystemExit(f"no pronunciation of {word!r}: add a line to {HERE / 'pronunciations.dict'}")
        if word in job and word not in ("under", "over", "r", "or"):  # "under" without r would be "and a"
            prons = prons + [without_r(p) for p in prons]
        out[word] = [list(p) for p in dict.fromkeys(map(tuple, prons))]
    return out


def common_words(count: int) -> list[str]:
    """The commonest English words that the dictionary knows (see common_words.py), most common first."""
    return (HERE / "common_words.txt").read_text(encoding="utf-8").split()[:count]


def trade_words() -> list[str]:
    """Words of the trade and of commands that no list above holds, for grammars to come."""
    lines = (HERE / "trade_words.txt").read_text(encoding="utf-8").splitlines()
    return unique(line for line in lines if not line.startswith("#"))


def job_words() -> list[str]:
    """Every word of the job: of the grammars, decoys apart, of the lists above and of trade_words.txt."""
    return list(dict.fromkeys([*DOMAIN, *grammar_words()[0], *trade_words()]))


def full_vocabulary(decoys: int = DECOYS) -> list[str]:
    """Every word of the model: the job's, the grammars' decoys, and common words."""
    return list(dict.fromkeys([*job_words(), *grammar_words()[1], *common_words(decoys)]))


# --- sentences ------------------------------------------------------------------------
def whole_number(rng: random.Random) -> list[str]:
    """A whole number in one of the ways people say it."""
    kind = rng.random()
    if kind < 0.24:  # digit by digit
        out = [rng.choice(DIGITS) for _ in range(rng.randint(1, 5))]
        if len(out) > 2 and rng.random() < 0.12:
            out[1:2] = ["double"]
        return out
    if kind < 0.30:
        return [rng.choice(ONES)]
    if kind < 0.45:
        return [rng.choice(TENS)] + ([rng.choice(ONES)] if rng.random() < 0.7 else [])
    if kind < 0.53:
        return [rng.choice(TEENS)]
    tails = [
        [rng.choice(TEENS)], [rng.choice(TENS)], [rng.choice(TENS), rng.choice(ONES)], ["oh", rng.choice(ONES)],
    ]  # fmt: skip
    if kind < 0.68:  # "one twenty", "four oh five"
        return [rng.choice(ONES), *rng.choice(tails)]
    out = [rng.choice([*ONES, "a"] if rng.random() < 0.3 else ONES + TEENS), "hundred"]
    if kind > 0.88:
        out = [rng.choice(ONES + TEENS + TENS), "thousand"]
        if rng.random() < 0.6:
            out += [rng.choice(ONES), "hundred"]
    if rng.random() < 0.65:
        out += ["and"] if rng.random() < 0.35 else []
        out += rng.choice([*tails[:3], [rng.choice(ONES)]])
    return out


def fraction(rng: random.Random) -> list[str]:
    """A fraction, alone or after a whole number."""
    one = [rng.choice(["a", "one"]), rng.choice(["half", "quarter", "third", "eighth", "sixteenth", "tenth"])]
    many = [rng.choice(ONES[1:]), rng.choice(["quarters", "thirds", "eighths", "sixteenths", "tenths"])]
    part = one if rng.random() < 0.55 else many
    return [*whole_number(rng), "and", *part] if rng.random() < 0.6 else part


def number(rng: random.Random) -> list[str]:
    """Any number as it may be read off a meter."""
    kind = rng.random()
    if kind < 0.08:
        out = fraction(rng)
    else:
        out = whole_number(rng)
        after = [rng.choice(DIGITS) for _ in range(rng.randint(1, 3))]
        if kind < 0.45:
            out = [*out, "point" if rng.random() < 0.97 else "decimal", *after]
        elif kind < 0.54:
            out = [*([rng.choice(ZEROS)] if rng.random() < 0.6 else []), "point", *after]
        if rng.random() < 0.05:
            out = [*out, "k"]
    if rng.random() < 0.04:
        out = [RADIO.get(w, w) for w in out]
    if rng.random() < 0.08:
        out = [rng.choice(["minus", "negative", "plus"]), *out]
    return out


def contrasted(rng: random.Random) -> list[str]:
    """A number with a word that is easily heard as another one in it, either word as often."""
    out = number(rng)
    group = rng.choice(CONTRASTS)
    word = rng.choice(group)
    places = [i for i, w in enumerate(out) if w in TENS or w in TEENS or w in DIGITS]
    if not places or rng.random() < 0.35:
        out = [*([rng.choice(ONES), "hundred"] if rng.random() < 0.4 else []), word]
        out += [rng.choice(ONES)] if word in TENS and rng.random() < 0.6 else []
        out += ["point", rng.choice(DIGITS)] if rng.random() < 0.3 else []
    else:
        out[rng.choice(places)] = word
    return out + (rng.choice(UNIT_PHRASES).split() if rng.random() < 0.5 else [])


def reading(rng: random.Random) -> list[str]:
    """A number with what is measured before it or the unit after it."""
    out = [rng.choice(THINGS)] if rng.random() < 0.3 else []
    out += [rng.choice(["is", "at", "reads", "was", "equals"])] if out and rng.random() < 0.3 else []
    if rng.random() < 0.08:
        out.append(rng.choice(SPECIAL_PHRASES))
        return " ".join(out).split()
    out += [rng.choice(["about", "around", "over", "under"])] if rng.random() < 0.1 else []
    out += number(rng)
    if rng.random() < 0.05:
        out += ["to", *number(rng)]
    out += [rng.choice(UNIT_PHRASES)] if rng.random() < 0.75 else []
    return " ".join(out).split()


@cache
def command_sentences() -> list[str]:
    """Every form of every command and reason in the grammars."""
    g = grammar()
    return [s for name in ("commands", "reason") for rule in g.public[name] for s in g.sentences(rule)]


def from_grammar(rng: random.Random) -> list[str]:
    """A reading as the assistant's grammar has it."""
    return list(grammar().sample("reading", rng.random).words)


def everyday(rng: random.Random, general: Sequence[str]) -> list[str]:
    """Words of no meaning here, the common ones more often."""
    return [general[int(len(general) * rng.random() ** 2)] for _ in range(rng.randint(1, 8))]


def sentence(rng: random.Random, general: Sequence[str], job: Sequence[str]) -> list[str]:
    """A random utterance: a reading, a command, names and states, single words or unrelated words."""
    kind = rng.random()
    if kind < 0.20:
        return from_grammar(rng)
    if kind < 0.36:
        return reading(rng)
    if kind < 0.47:
        return contrasted(rng)
    if kind < 0.57:
        return rng.choice(command_sentences() if rng.random() < 0.6 else COMMAND_PHRASES).split()
    if kind < 0.61:
        return (rng.choice(THINGS) + " " + rng.choice(STATES)).split()
    if kind < 0.69:
        return [rng.choice(job) for _ in range(rng.randint(1, 5))]
    if kind < 0.76:
        return [rng.choice(job)]
    if kind < 0.79:
        return [rng.choice(LETTERS) for _ in range(rng.randint(1, 4))]
    return everyday(rng, general)


# Single words that rows of joined readings are made from.
JOINED = [
    *ZEROS, *ONES, *TEENS, *TENS, "hundred", "thousand", "point", "and", "a", "half", "quarter", "minus", "k", "o",
    "l", *["ohms", "volts", "amps", "inches", "degrees", "percent", "seconds", "millivolts", "microamps", "psi", "ppm", "pascals", "hertz", "minutes", "milliseconds", "ohm", "volt", "amp", "inch", "second"],
]  # fmt: skip


def joined_reading(rng: random.Random) -> list[str]:
    """A number and mostly a unit, of words in JOINED only."""
    words = contrasted(rng) if rng.random() < 0.3 else number(rng)
    words = [w for w in words if w in JOINED_SET]
    if words and words[-1] not in UNITS_SINGLE and rng.random() < 0.7:
        words.append(rng.choice(UNITS_SINGLE))
    return words[:8]


JOINED_SET = set(JOINED)
UNITS_SINGLE = JOINED[JOINED.index("ohms") :]


def spoken_text(words_said: Sequence[str], rng: random.Random, commas: float = 0.12) -> str:
    """Text for a synthesizer, with a pause (comma) here and there."""
    out = []
    for i, word in enumerate(words_said):
        text = SPELLED.get(word, word)
        letters = {*LETTERS}
        if word == "a" and i + 1 < len(words_said) and words_said[i + 1] in letters:
            text = "A"
        if i + 1 < len(words_said) and rng.random() < commas:
            text += ","
        out.append(text)
    return " ".join(out)
