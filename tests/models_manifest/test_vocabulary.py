"""The bundled model can hear every word of the grammars, and enough others to tell them from."""

from pathlib import Path

from assistant.language.jsgf import read_grammars

ROOT = Path(__file__).resolve().parents[2]
WORDS = {
    line.split()[0]
    for line in (ROOT / "models_manifest/field_model/graph/words.txt").read_text(encoding="utf-8").splitlines()
}


def grammar_words() -> set[str]:
    grammar = read_grammars({p.name: p.read_text(encoding="utf-8") for p in (ROOT / "grammars").glob("*.jsgf")})
    return {word for rules in grammar.public.values() for rule in rules for word in grammar.words(rule)}


def test_every_word_of_the_grammars_is_in_the_model() -> None:
    assert grammar_words() - WORDS == set()


def test_there_are_decoys() -> None:
    assert len(WORDS - grammar_words()) >= 1500


def test_unknown_speech_has_a_word() -> None:
    assert "[unk]" in WORDS


def test_abbreviations_can_be_said_letter_by_letter() -> None:
    assert {"p", "s", "m", "v", "d", "b", "t", "u", "e", "n", "r", "a", "c", "o", "l", "f", "w"} <= WORDS


def test_the_graph_holds_the_words_kept_for_grammars_to_come() -> None:
    text = (ROOT / "models_manifest/build/trade_words.txt").read_text(encoding="utf-8")
    kept = {word for line in text.splitlines() if not line.startswith("#") for word in line.split()}
    assert {"thermocouple", "spark", "propane", "climbing", "em", "vee", "scratch"} <= kept | grammar_words()
    assert kept - WORDS == set()
