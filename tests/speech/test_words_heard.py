"""The words that people say, spoken by two voices that no training heard, through the bundled model."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache

import pytest

from assistant import files
from assistant.files import library, top_folder
from assistant.language.meaning import Command, Meaning, Question, Reading, Unclear
from assistant.language.phrases import Expected
from assistant.speech.audio import read_audio, resample
from assistant.speech.ears import hear_whole
from assistant.speech.recognizer import VoskRecognizer

WORDS = top_folder("audio_fixtures") / "words.spoken.tsv"


@cache
def expected(name: str, words: str) -> Expected:
    quantity = library().quantities.get(name)
    helper = name == "return-temperature"  # whose list is said by name
    return files.expected(library().language, Question(name, quantity, names=helper, words=tuple(words.split())))


@cache
def heard() -> list[tuple[dict[str, str], str, Meaning, bool]]:
    """Each recording: its row, what was heard, what that means, and whether it would be asked before it counts."""
    recognizer = VoskRecognizer(top_folder("models_manifest") / "field_model")
    language, made = library().language, []
    with WORDS.open(encoding="utf-8") as table:
        rows = list(csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t"))
    for row in rows:
        at = expected(row["question"], row["words"])
        audio = resample(read_audio(WORDS.parent / "words" / row["file"]), recognizer.rate_hz)
        said, _ = hear_whole(recognizer, audio, at)
        meaning = language.meaning(language.weighed(said, at.question), at.question)
        asks = bool(at.question.quantity) and not isinstance(meaning, Command | Unclear)
        asks = asks and bool(
            language.confirm(said, meaning, at.question) or language.rivals(said, meaning, at.question)
        )
        made.append((row, said.text, meaning, asks))
    return made


def meant(row: dict[str, str]) -> Meaning:
    return library().language.understand(row["text"], expected(row["question"], row["words"]).question)


# "No" is no answer where marks are awaited: there the assistant says what to do.
NO_ANSWER_THERE = {("sequence", Command("no"))}


def test_nothing_is_taken_for_something_else_unasked():
    wrong = [
        (row["voice"], row["text"], text)
        for row, text, meaning, asks in heard()
        if meaning != meant(row) and not isinstance(meaning, Unclear) and not asks
        if (row["question"], meaning) not in NO_ANSWER_THERE
    ]
    assert wrong == []


@pytest.mark.parametrize("voice", ["af_river", "bm_daniel"])
def test_most_are_understood_at_the_first_try(voice):
    of_voice = [(row, text, meaning) for row, text, meaning, _ in heard() if row["voice"] == voice]
    missed = [(row["text"], text) for row, text, meaning in of_voice if not same(meaning, meant(row))]
    assert len(of_voice) == 74
    assert len(missed) <= 14, missed


@pytest.mark.parametrize("file", ["047.flac", "055.flac", "102.flac", "106.flac"])
def test_two_words_that_no_phrase_holds_side_by_side_do_not_win(file):
    (row, text, meaning, _), *_ = (each for each in heard() if each[0]["file"] == file)
    assert same(meaning, meant(row)), text  # "area is one twenty", "call and one twenty", "closed the"


def same(one: Meaning, other: Meaning) -> bool:
    """Whether two meanings differ in nothing, or only in that one of them is asked after a slurred word."""
    asked = {replace(each, mended=True) if isinstance(each, Reading) else each for each in (one, other)}
    return len(asked) == 1
