"""The manifest: the real one holds what it must and matches the bundled files; a wrong one says where."""

import shutil

import pytest

from assistant.errors import Problem
from assistant.files import top_folder
from assistant.speech.manifest import (
    MARK,
    folder_bytes,
    folder_sums,
    read_manifest,
    rewrite_sums,
)
from assistant.speech.model_folder import NEEDED_IN_MODEL
from assistant.speech.models import ModelStore
from assistant.speech.recognizer import VoskRecognizer

MANIFEST = top_folder("models_manifest") / "models.toml"
FETCHED = {
    # name: megabytes as the project's page rounds them, and whether it takes words at run time
    "vosk-model-small-en-us-0.15": (40, True),
    "vosk-model-en-us-0.22-lgraph": (128, True),
    "vosk-model-en-us-0.22": (1_800, False),
}


@pytest.fixture
def copy(tmp_path):
    """A copy of the real manifest with the bundled model beside it; the path of the manifest."""
    shutil.copytree(MANIFEST.parent, tmp_path / "manifest", ignore=shutil.ignore_patterns("build"))
    return tmp_path / "manifest" / "models.toml"


def test_it_names_the_models_that_it_must():
    models = read_manifest(MANIFEST).by_name
    assert set(models) >= {*FETCHED, "field_model"}
    for name, (megabytes, words) in FETCHED.items():
        model = models[name]
        assert model.url == f"https://alphacephei.com/vosk/models/{name}.zip"
        assert model.licence == "Apache-2.0"
        assert model.size_bytes == pytest.approx(megabytes * 1e6, rel=0.05)
        assert model.run_time_words is words
        assert model.sha256 is None, "a sum is vouched for here only after somebody fetched and compared it"
    assert all(m.sample_rate_hz == VoskRecognizer.rate_hz and m.language == "en-US" for m in models.values())


def test_the_bundled_files_are_those_of_the_manifest():
    bundled = read_manifest(MANIFEST).bundled
    folder = MANIFEST.parent / bundled.folder
    assert folder_sums(folder) == bundled.files, "after a build run: python -m assistant.speech.manifest"
    assert folder_bytes(folder) == bundled.size_bytes
    assert set(NEEDED_IN_MODEL) <= set(bundled.files)


def test_rewriting_changes_nothing_when_nothing_changed(copy):
    before = copy.read_bytes()
    rewrite_sums(copy)
    assert copy.read_bytes() == before


def test_rewriting_takes_in_what_a_build_changed(copy):
    folder = copy.parent / "field_model"
    (folder / "am" / "final.mdl").write_bytes(b"another network")
    (folder / "NOTES").write_bytes(b"new")
    (folder / "graph" / "words.txt").unlink()
    before = read_manifest(copy)
    rewrite_sums(copy)
    after = read_manifest(copy)
    assert after.bundled.files == folder_sums(folder) != before.bundled.files
    assert after.bundled.size_bytes == folder_bytes(folder)
    assert set(before.bundled.files) ^ set(after.bundled.files) == {"NOTES", "graph/words.txt"}
    assert after.models[:-1] == before.models[:-1]


def test_verify_finds_a_change_in_the_bundled_model(copy, tmp_path):
    store = ModelStore(copy, tmp_path / "data", tmp_path / "config")
    assert store.verify("field_model") == []
    network = copy.parent / "field_model" / "am" / "final.mdl"
    data = bytearray(network.read_bytes())
    data[len(data) // 2] ^= 1  # one bit
    network.write_bytes(data)
    assert store.verify("field_model") == ["am/final.mdl has changed"]


@pytest.mark.parametrize("keep", ["", "[[model]]\nname = 'a'\nurl = 'http://a/b.zip'\n" + MARK])
def test_rewriting_refuses_a_manifest_without_its_mark_or_bundled_model(copy, keep):
    copy.write_text(keep)
    with pytest.raises(Problem, match="must end with the bundled model"):
        rewrite_sums(copy)
    assert copy.read_text() == keep


def test_rewriting_refuses_an_empty_model(copy):
    shutil.rmtree(copy.parent / "field_model")
    before = copy.read_bytes()
    with pytest.raises(Problem, match="build the bundled model first"):
        rewrite_sums(copy)
    assert copy.read_bytes() == before


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("[[model]]", "[[model", "is not TOML"),
        ('language = "en-US"', 'langage = "en-US"', r"model\.0\.lang"),
        ('name = "vosk-model-small-en-us-0.15"', 'name = "../evil"', r"model\.0\.name"),
        ('name = "vosk-model-small-en-us-0.15"', 'name = "field_model"', "same name"),
        ('folder = "field_model"', 'url = "http://a/b.zip"', "exactly one model must have a folder"),
        ('folder = "field_model"', "", "needs either a folder or a url"),
        ("size_bytes = 41_205_931", "size_bytes = 0", r"model\.0\.size_bytes"),
        ('sha256_reported = "30f2', 'sha256_reported = "30F2', r"model\.0\.sha256_reported"),
    ],
)
def test_a_wrong_manifest_says_what_is_wrong(copy, old, new, match):
    text = copy.read_text(encoding="utf-8")
    assert old in text
    copy.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(Problem, match=match) as problem:
        read_manifest(copy)
    assert str(copy) in str(problem.value)


def test_a_missing_manifest_is_one_sentence(tmp_path):
    with pytest.raises(Problem, match=r"models\.toml cannot be read"):
        read_manifest(tmp_path / "models.toml")
