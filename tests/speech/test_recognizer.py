"""The recognizer: nothing that Python can do to it may end the process."""

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import Problem
from assistant.files import top_folder
from assistant.speech.audio import Audio, read_audio, resample
from assistant.speech.recognizer import VoskRecognizer

VISIT = top_folder("audio_fixtures") / "visits" / "hot-surface.flac"
MODEL = top_folder("models_manifest") / "field_model"


@pytest.fixture(scope="module")
def recognizer() -> VoskRecognizer:
    return VoskRecognizer(MODEL)


def test_a_word_that_the_model_lacks_is_named(recognizer):
    assert recognizer.missing(["twenty", "superheat", "yes"]) == ["superheat"]


@pytest.mark.parametrize("phrases", [[], ["superheat twelve"], [""]])
def test_phrases_that_would_crash_the_library_are_refused(recognizer, phrases):
    with pytest.raises(ValueError, match="cannot hear"):
        recognizer.hearing_of(phrases)


@pytest.mark.parametrize("phrase", ['yes", "no', "[]", "not json }{", "yes\0no", "oops"])
def test_no_phrase_can_kill_the_process(phrase):
    program = (
        "import sys\nfrom pathlib import Path\nimport numpy as np\n"
        "from assistant.speech.recognizer import VoskRecognizer\n"
        f"r = VoskRecognizer(Path({str(MODEL)!r}))\n"
        f"try:\n    h = r.hearing_of([{phrase!r}])\n    h.accept(np.zeros(1600, np.int16))\n    h.finish()\n"
        "except ValueError:\n    pass\nprint('alive')\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout.strip()) == (0, "alive"), done.stderr


def test_a_new_question_while_an_utterance_runs_is_harmless(recognizer):
    first = recognizer.hearing_of(["yes", "no"])
    first.accept(np.random.default_rng(1).normal(0, 900, 16000).astype(np.int16))
    second = recognizer.hearing_of(["one twenty volts"])
    second.accept(np.zeros(1600, np.int16))
    first.finish()
    assert second.finish().text in ("", "[unk]")


def test_silence_is_no_words(recognizer):
    hearing = recognizer.hearing_of(["yes"])
    hearing.accept(np.zeros(16000, np.int16))
    assert hearing.finish().text == ""


def test_a_folder_that_is_no_model_is_refused(tmp_path):
    with pytest.raises(Problem, match=r"graph/HCLr\.fst"):
        VoskRecognizer(tmp_path)


def test_a_model_with_a_static_graph_is_refused(tmp_path):
    for name in ("am/final.mdl", "conf/model.conf", "graph/HCLG.fst"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(Problem, match="because its graph is fixed"):
        VoskRecognizer(Path(tmp_path))


def test_one_pass_gives_the_words_their_times_and_the_alternatives(recognizer, monkeypatch):
    made = []
    engine = recognizer._vosk.KaldiRecognizer
    monkeypatch.setattr(recognizer._vosk, "KaldiRecognizer", lambda *given: made.append(given) or engine(*given))
    sound = read_audio(VISIT)
    with VISIT.with_suffix(".spoken.tsv").open(encoding="utf-8") as table:
        rows = csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t")
        said = next(row for row in rows if "volts" in row["text"])
    start, end = (round(float(said[at]) * sound.rate_hz) for at in ("start_s", "end_s"))
    clean = resample(Audio(sound.samples[start:end], sound.rate_hz), recognizer.rate_hz).samples
    noise = np.random.default_rng(1).normal(0, 600, len(clean)).astype(np.int16)
    hearing = recognizer.hearing_of([said["text"], said["text"].replace("volts", "volt"), "one sixteen volts"])
    hearing.accept(clean + noise)
    heard = hearing.finish()
    assert len(made) == 1
    assert [word.text for word in heard.words] == heard.text.split()
    assert said["text"] in (heard.text, *(other.text for other in heard.alternatives))
    assert all(a.start_s < a.end_s <= b.end_s for a, b in zip(heard.words, heard.words[1:], strict=False))
    assert heard.alternatives
    assert all(other.worse_by >= 0 and other.text != heard.text for other in heard.alternatives)
