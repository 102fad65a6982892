"""`assistant models`, as it is typed."""

import hashlib
import re

import platformdirs
import pytest
from typer.testing import CliRunner

from assistant.cli import models
from assistant.errors import Problem
from assistant.files import top_folder

COMMANDS = ["list", "fetch", "add", "verify", "remove", "use"]


@pytest.fixture
def run(home, monkeypatch):
    """Runs a command as typed, with answers; its output. A Problem is for the caller, as in the program."""
    monkeypatch.setenv("COLUMNS", "80")

    def typed(*words, answer="", **small):
        store = home.store(**small)
        monkeypatch.setattr(models, "store", lambda: store)
        result = CliRunner().invoke(models.app, words, input=answer)
        if result.exception and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == 0, result.output
        return result.output

    return typed


def row(output, name):
    """The cells of the line of one model."""
    [line] = [line for line in output.splitlines() if line.split("  ")[0] == name]
    return re.split(r"\s{2,}", line.strip())


def test_list_tells_what_there_is(run):
    output = run("list")
    assert row(output, "field_model") == ["field_model", "en-US", "0 MB", "Apache-2.0", "in use", "manifest"]
    assert row(output, "small")[4:] == ["to fetch", "unknown"]
    assert row(output, "large")[4:] == ["no words", "unknown"]


def test_the_real_list_fits_eighty_columns(monkeypatch, tmp_path):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(platformdirs, "user_data_path", lambda *_, **__: tmp_path / "data")
    monkeypatch.setattr(platformdirs, "user_config_path", lambda *_, **__: tmp_path / "config")
    output = CliRunner().invoke(models.app, ["list"]).output
    assert row(output, "field_model") == ["field_model", "en-US", "7 MB", "Apache-2.0", "in use", "manifest"]
    assert row(output, "vosk-model-en-us-0.22-lgraph")[2:] == ["131 MB", "Apache-2.0", "to fetch", "unknown"]
    assert row(output, "vosk-model-en-us-0.22")[2:] == ["1.8 GB", "Apache-2.0", "no words", "unknown"]
    assert max(len(line.rstrip()) for line in output.splitlines()) <= 80
    assert list(tmp_path.iterdir()) == []  # looking makes no folders


def test_the_users_folders_are_those_of_the_system(monkeypatch, tmp_path):
    monkeypatch.setattr(platformdirs, "user_data_path", lambda name, **_: tmp_path / "data" / name)
    monkeypatch.setattr(platformdirs, "user_config_path", lambda name, **_: tmp_path / "config" / name)
    store = models.store()
    assert store.data == tmp_path / "data" / "ignition-assistant"
    assert store.config == tmp_path / "config" / "ignition-assistant"
    assert store.model_in_use() == top_folder("models_manifest") / "field_model"


def test_fetch_shows_the_sum_asks_and_says_what_next(run, server):
    output = run("fetch", "small", answer="y\n")
    assert hashlib.sha256(server.content).hexdigest() in output
    assert "No other is known to compare it with." in output
    assert "Trust this archive and pin its SHA-256 for small?" in output
    assert "assistant models use small" in output
    assert row(run("list"), "small")[4:] == ["here", "pinned"]


def test_fetch_takes_no_for_an_answer(run, home):
    with pytest.raises(Problem, match="was not confirmed"):
        run("fetch", "small", answer="n\n")
    assert home.left_over() == []


def test_an_empty_answer_is_no(run, home):
    with pytest.raises(Problem, match="was not confirmed"):
        run("fetch", "small", answer="\n")
    assert home.left_over() == []


def test_yes_answers_for_an_unknown_sum(run):
    assert "Trust this archive" not in run("fetch", "small", "--yes")


def test_a_sum_as_reported_is_said_to_be_so(run, server):
    output = run("fetch", "small", "--yes", sha256_reported=hashlib.sha256(server.content).hexdigest())
    assert "Other projects report the same." in output


def test_yes_does_not_answer_for_a_sum_that_others_report_differently(run, home):
    with pytest.raises(Problem, match="was not confirmed"):
        run("fetch", "small", "--yes", answer="n\n", sha256_reported="0" * 64)
    assert home.left_over() == []
    output = run("fetch", "small", "--yes", answer="y\n", sha256_reported="0" * 64)
    assert "this may be a forgery" in output
    assert "0" * 64 in output


def test_a_model_is_added_used_verified_and_removed(run, build, tmp_path):
    source = tmp_path / "own-1.tar.gz"
    source.write_bytes(build.tar(build.model))
    assert "own-1 is in" in run("add", str(source))
    assert row(run("list"), "own-1") == ["own-1", "unknown", "0 MB", "unknown", "here", "pinned"]
    assert "own-1 listens from the next start" in run("use", "own-1")
    assert row(run("list"), "own-1")[4] == "in use"
    assert row(run("list"), "field_model")[4] == "bundled"
    verified = run("verify")
    assert "as they were" in row(verified, "own-1")
    assert "as they were" in row(verified, "field_model")
    assert "small" not in verified
    run("use", "field_model")
    assert "own-1 is removed." in run("remove", "own-1", answer="y\n")
    assert "own-1" not in run("list")


def test_add_takes_another_name(run, build, tmp_path):
    assert "mine is in" in run("add", str(build.folder(tmp_path / "own")), "--name", "mine")
    assert row(run("list"), "mine")[5] == "files"


def test_verify_names_the_file_and_fails(run, home, build, tmp_path):
    run("add", str(build.folder(tmp_path / "own")))
    run("add", str(build.folder(tmp_path / "sound")))
    (home.folder / "data" / "models" / "own" / "graph" / "words.txt").write_bytes(b"changed")
    with pytest.raises(Problem, match=r"^own must not be used"):
        run("verify")
    with pytest.raises(Problem, match=r"^own must not be used"):
        run("verify", "own")
    assert "as they were" in run("verify", "sound")


def test_verify_prints_what_changed(home, monkeypatch, build, tmp_path):
    store = home.store()
    store.add(build.folder(tmp_path / "own"), lambda _: False)
    (store.data / "models" / "own" / "graph" / "words.txt").unlink()
    (store.data / "models" / "own" / "[red]").write_bytes(b"")
    monkeypatch.setattr(models, "store", lambda: store)
    result = CliRunner().invoke(models.app, ["verify"])
    assert isinstance(result.exception, Problem)
    assert row(result.output, "own") == ["own", "graph/words.txt is missing"]
    assert "[red] does not belong there" in result.output


def test_remove_asks_first(run, home, build, tmp_path):
    run("add", str(build.folder(tmp_path / "own")))
    with pytest.raises(Problem, match="own was not removed"):
        run("remove", "own", answer="n\n")
    assert (home.folder / "data" / "models" / "own").is_dir()
    run("remove", "own", "--yes")
    assert not (home.folder / "data" / "models" / "own").exists()


def test_forget_makes_the_next_fetch_ask_again(run):
    run("fetch", "small", "--yes")
    run("remove", "small", "--yes")
    assert "Trust this archive" not in run("fetch", "small")
    run("remove", "small", "--yes", "--forget")
    assert "Trust this archive" in run("fetch", "small", answer="y\n")


def test_refusals_reach_the_program_as_problems(run, home):
    for words, match in (
        (("remove", "field_model", "--yes"), "stays"),
        (("fetch", "large"), "graph is fixed"),
        (("fetch", "{x}[/y]"), "not a known model"),
        (("use", "small"), "There is no model small"),
        (("add", str(home.folder / "nothing")), "does not exist"),
    ):
        with pytest.raises(Problem, match=match):
            run(*words)


def test_every_command_has_help():
    output = CliRunner().invoke(models.app, ["--help"]).output
    listed = re.findall(r"^  (\w+)  +\w", output, re.MULTILINE)
    assert listed == COMMANDS
    for command in COMMANDS:
        text = CliRunner().invoke(models.app, [command, "--help"]).output
        assert len(text.split("Usage:")[1].splitlines()) > 4
