"""The models of a user: fetched, pinned, added, verified, removed and chosen."""

import hashlib
import json
import shutil

import pytest

from assistant.errors import Problem


def sha256(data):
    return hashlib.sha256(data).hexdigest()


def never(archive):
    raise AssertionError(f"asked to confirm {archive}")


class Asked:
    """Answers the question about a first archive and keeps what was asked."""

    def __init__(self, answer=True):
        self.answer, self.archives = answer, []

    def __call__(self, archive):
        self.archives.append(archive)
        return self.answer


def states(store):
    return {model.name: (model.here, model.in_use, model.archive_sum) for model in store.list_models()}


@pytest.fixture
def archive(tmp_path, build):
    path = tmp_path / "carried-1.0.zip"
    path.write_bytes(build.zip(build.model))
    return path


# -- fetch and pin


def test_the_first_fetch_asks_pins_and_unpacks(home, server, build):
    store, asked = home.store(), Asked()
    assert states(store)["small"] == (False, False, "unknown")
    folder = store.fetch("small", asked)
    [archive] = asked.archives
    assert (archive.name, archive.origin, archive.sha256) == ("small", server.url, sha256(server.content))
    assert {name: (folder / name).read_bytes() for name in build.model} == build.model
    assert store.verify("small") == []
    assert states(store)["small"] == (True, False, "pinned")
    assert home.left_over() == sorted(name.rpartition("/")[2] for name in build.model)  # no archive, no scraps


def test_a_first_fetch_that_is_not_confirmed_keeps_nothing(home, server):
    store = home.store()
    with pytest.raises(Problem, match="small was not confirmed and nothing was kept"):
        store.fetch("small", Asked(False))
    assert home.left_over() == []
    assert states(store)["small"] == (False, False, "unknown")
    store.fetch("small", asked := Asked())
    assert len(asked.archives) == 1
    assert server.asked == 2  # it was fetched anew


def test_the_pinned_archive_is_fetched_again_without_a_question(home):
    store = home.store()
    store.fetch("small", Asked())
    store.remove("small")
    assert states(store)["small"] == (False, False, "pinned")
    store.fetch("small", never)
    assert store.verify("small") == []


def test_another_archive_than_the_pinned_one_is_refused(home, server, build):
    store = home.store(size_bytes=1_000_000)
    store.fetch("small", Asked())
    store.remove("small")
    server.content = build.zip(build.model | {"graph/words.txt": b"evil 1\n"})
    with pytest.raises(Problem, match="is not the archive known as small"):
        store.fetch("small", never)
    assert home.left_over() == []
    store.remove("small", forget=True)
    store.fetch("small", asked := Asked())
    assert asked.archives[0].sha256 == sha256(server.content)


def test_a_sum_in_the_manifest_is_never_asked_about(home, server):
    store = home.store(sha256=sha256(server.content))
    store.fetch("small", never)
    assert states(store)["small"] == (True, False, "manifest")


def test_a_sum_in_the_manifest_refuses_another_archive(home):
    store = home.store(sha256="0" * 64)
    with pytest.raises(Problem, match="is not the archive known as small"):
        store.fetch("small", never)
    assert home.left_over() == []


def test_what_others_report_is_shown_and_never_decides(home):
    store = home.store(sha256_reported="0" * 64)
    store.fetch("small", asked := Asked())
    assert asked.archives[0].sha256_reported == "0" * 64


def test_much_more_than_the_size_in_the_manifest_is_refused(home, server):
    store = home.store(size_bytes=len(server.content) // 2 - 1)
    with pytest.raises(Problem, match="sends more than the"):
        store.fetch("small", never)
    assert home.left_over() == []


def test_a_model_known_to_have_a_fixed_graph_is_refused_before_anything_is_fetched(home, server):
    with pytest.raises(Problem, match=r"large cannot be told which words .* no graph/Gr.fst or no graph/HCLr.fst"):
        home.store().fetch("large", never)
    assert server.asked == 0


@pytest.mark.parametrize("lacking", [["graph/HCLr.fst"], ["graph/Gr.fst"], ["graph/HCLr.fst", "graph/Gr.fst"]])
def test_a_model_found_to_have_a_fixed_graph_is_refused(home, server, build, lacking):
    server.content = build.zip({name: data for name, data in build.model.items() if name not in lacking})
    store = home.store()
    with pytest.raises(Problem, match="because its graph is fixed"):
        store.fetch("small", Asked())
    assert home.left_over() == []
    assert states(store)["small"] == (False, False, "unknown")  # what cannot be used is not pinned either


def test_an_attack_leaves_nothing_behind(home, server, build):
    server.content = build.zip(build.model | {"../../../outside": b"evil"})
    with pytest.raises(Problem, match="could lead out"):
        home.store().fetch("small", Asked())
    assert home.left_over() == []
    assert list((home.folder / "data" / "models").iterdir()) == []
    assert not list(home.folder.rglob("outside"))


@pytest.mark.parametrize(
    ("name", "match"),
    [
        ("huge", "not a known model"),
        ("field_model", "comes with the assistant|already here"),
        ("../x", "not a known"),
    ],
)
def test_what_cannot_be_fetched_is_refused(home, name, match):
    with pytest.raises(Problem, match=match):
        home.store().fetch(name, never)


def test_a_model_that_is_here_is_not_fetched_over(home, server):
    store = home.store()
    store.fetch("small", Asked())
    with pytest.raises(Problem, match=r"small is already here.*assistant models remove small"):
        store.fetch("small", never)
    assert server.asked == 1


# -- add


@pytest.mark.parametrize("name", ["own-2.0.zip", "own-2.0.tar", "own-2.0.tar.gz", "own-2.0.tgz", "own-2.0.TAR.XZ"])
@pytest.mark.parametrize("folder", ["", "some folder/"])
def test_an_archive_is_added_under_its_own_name(home, build, tmp_path, name, folder):
    source = tmp_path / name
    kinds = {"own-2.0.tar": "tar", "own-2.0.TAR.XZ": "tar.xz"}
    data = build.zip(build.model, folder) if name.endswith("zip") else None
    source.write_bytes(data or build.tar(build.model, kinds.get(name, "tar.gz"), folder))
    store = home.store()
    added = store.add(source, never)
    assert added.name == "own-2.0"
    assert {file: (added / file).read_bytes() for file in build.model} == build.model
    assert store.verify("own-2.0") == []
    assert states(store)["own-2.0"] == (True, False, "pinned")
    assert source.exists()


def test_a_folder_is_added_and_stays(home, build, tmp_path):
    source = build.folder(tmp_path / "vosk-model-0.9")
    store = home.store()
    assert store.add(source, never).name == "vosk-model-0.9"
    assert states(store)["vosk-model-0.9"] == (True, False, "files")
    (source / "graph" / "words.txt").write_bytes(b"changed")
    assert store.verify("vosk-model-0.9") == []


def test_an_archive_of_a_known_model_is_asked_about_and_pinned(home, server, tmp_path):
    carried = tmp_path / "small.zip"
    carried.write_bytes(server.content)
    store = home.store()
    store.add(carried, asked := Asked())
    assert asked.archives[0].origin == str(carried)
    store.remove("small")
    store.fetch("small", never)


def test_an_archive_that_is_not_the_known_model_is_refused(home, archive):
    store = home.store(sha256="0" * 64)
    with pytest.raises(Problem, match="is not the archive known as small"):
        store.add(archive, never, "small")
    assert home.left_over() == []


def test_a_folder_that_is_not_the_known_model_is_refused(home, build, tmp_path):
    store = home.store()
    store.fetch("small", Asked())
    store.remove("small")
    source = build.folder(tmp_path / "small")
    store.add(source, never)
    store.remove("small")
    assert states(store)["small"] == (False, False, "pinned")  # the archive's sum outlives the folder
    (source / "graph" / "words.txt").write_bytes(b"changed")
    with pytest.raises(Problem, match="are not those known as small"):
        store.add(source, never)


@pytest.mark.parametrize("name", ["../evil", "/tmp/evil", ".hidden", "a b", 'a"\nmodel = "b', "a" * 99, "-flag"])
def test_a_name_that_is_more_than_a_name_is_refused(home, archive, name):
    with pytest.raises(Problem, match="cannot name a model"):
        home.store().add(archive, never, name)
    assert home.left_over() == []


def test_what_is_not_there_or_taken_is_refused(home, archive):
    store = home.store()
    with pytest.raises(Problem, match=r"nothing\.zip does not exist"):
        store.add(archive.with_name("nothing.zip"), never)
    with pytest.raises(Problem, match="field_model is already here"):
        store.add(archive, never, "field_model")
    with pytest.raises(Problem, match="large cannot be told which words"):
        store.add(archive, never, "large")
    store.add(archive, never)
    with pytest.raises(Problem, match=r"carried-1\.0 is already here"):
        store.add(archive, never)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"graph/Gr.fst": None}, "because its graph is fixed"),
        (
            {"am/final.mdl": None, "graph/Gr.fst": None},
            "is not a model for Vosk: it lacks am/final.mdl, graph/Gr.fst",
        ),
        ({"conf/mfcc.conf": b"--dither=0\n--sample-frequency=8000\n"}, "is for sound at 8000 Hz"),
    ],
)
def test_a_model_that_cannot_serve_is_refused(home, build, tmp_path, change, match):
    files = {name: data for name, data in (build.model | change).items() if data is not None}
    with pytest.raises(Problem, match=match):
        home.store().add(build.folder(tmp_path / "own", files), never)
    assert home.left_over() == []


@pytest.mark.parametrize("mfcc", [b"--sample-frequency=16000.0\n", b"--dither=0\n", None])
def test_a_model_for_sixteen_kilohertz_is_taken(home, build, tmp_path, mfcc):
    files = {name: data for name, data in (build.model | {"conf/mfcc.conf": mfcc}).items() if data is not None}
    assert home.store().add(build.folder(tmp_path / "own", files), never).is_dir()


# -- verify


def test_verify_names_what_changed(home, archive):
    store = home.store()
    folder = store.add(archive, never)
    (folder / "graph" / "words.txt").write_bytes(b"one 1\ntwo 3\n")
    (folder / "conf" / "model.conf").unlink()
    (folder / "graph" / "extra").write_bytes(b"")
    assert store.verify("carried-1.0") == [
        "conf/model.conf is missing",
        "graph/words.txt has changed",
        "graph/extra does not belong there",
    ]


def test_verify_without_sums_does_not_call_it_well(home, archive):
    store = home.store()
    store.add(archive, never)
    (store.data / "pins.json").unlink()
    with pytest.raises(Problem, match=r"No sums are recorded for carried-1\.0"):
        store.verify("carried-1.0")


@pytest.mark.parametrize("name", ["small", "..", "../config", "nothing", ""])
def test_verify_of_what_is_not_here_is_one_sentence(home, name):
    store = home.store()
    store.config.mkdir()
    with pytest.raises(Problem, match="There is no model"):
        store.verify(name)


# -- use and remove


def test_the_bundled_model_is_in_use_until_another_is_chosen(home, archive):
    store = home.store()
    assert store.in_use() == "field_model"
    assert store.model_in_use() == store.manifest_file.parent / "field_model"
    folder = store.add(archive, never)
    assert store.in_use() == "field_model"
    store.use("carried-1.0")
    again = home.store()  # a new start
    assert again.model_in_use() == folder
    assert states(again)["carried-1.0"][1] is True
    again.use("field_model")
    assert home.store().model_in_use() == store.manifest_file.parent / "field_model"


def test_a_changed_model_cannot_be_chosen(home, archive):
    store = home.store()
    folder = store.add(archive, never)
    (folder / "graph" / "words.txt").write_bytes(b"changed")
    with pytest.raises(Problem, match=r"carried-1\.0 is damaged \(graph/words\.txt has changed\)"):
        store.use("carried-1.0")
    assert store.in_use() == "field_model"


def test_a_model_that_lost_its_graph_cannot_be_chosen(home, archive):
    store = home.store()
    folder = store.add(archive, never)
    (folder / "graph" / "Gr.fst").unlink()
    with pytest.raises(Problem, match="because its graph is fixed"):
        store.use("carried-1.0")


def test_a_chosen_model_that_is_gone_is_not_replaced_in_silence(home, archive):
    store = home.store()
    folder = store.add(archive, never)
    store.use("carried-1.0")
    shutil.rmtree(folder)
    with pytest.raises(Problem, match=r"There is no model carried-1\.0 on this device"):
        store.model_in_use()


@pytest.mark.parametrize("text", ["", "model = ", "use = 'small'", "\xff"])
def test_a_damaged_choice_is_one_sentence(home, text):
    store = home.store()
    store.config.mkdir()
    (store.config / "model.toml").write_bytes(text.encode("latin-1"))
    with pytest.raises(Problem, match=r"model\.toml names no model .*delete it to use the bundled one"):
        store.model_in_use()


@pytest.mark.parametrize("name", ["../config", "/etc", ".."])
def test_a_choice_that_leads_outside_is_not_followed(home, name):
    store = home.store()
    (store.data / "models").mkdir(parents=True)
    store.config.mkdir()
    (store.config / "model.toml").write_text(f'model = "{name}"\n')
    with pytest.raises(Problem, match="There is no model"):
        store.model_in_use()


def test_removing_removes_the_model_and_what_was_held_of_it(home, archive, build):
    store = home.store()
    store.add(archive, never)
    store.remove("carried-1.0")
    assert "carried-1.0" not in states(store)
    assert home.left_over() == []
    archive.write_bytes(build.zip(build.model | {"graph/words.txt": b"another"}))
    store.add(archive, never)  # a model of the user's own may change


def test_the_bundled_model_cannot_be_removed(home, build):
    store = home.store()
    with pytest.raises(Problem, match="field_model comes with the assistant and stays"):
        store.remove("field_model", forget=True)
    assert (store.model_in_use() / "am" / "final.mdl").read_bytes() == build.network


def test_the_model_in_use_cannot_be_removed(home, archive):
    store = home.store()
    folder = store.add(archive, never)
    store.use("carried-1.0")
    with pytest.raises(Problem, match=r"in use; first run: assistant models use field_model"):
        store.remove("carried-1.0")
    assert folder.is_dir()
    store.use("field_model")
    store.remove("carried-1.0")
    assert not folder.exists()


@pytest.mark.parametrize("name", ["small", "nothing", "..", "../config", ""])
@pytest.mark.parametrize("forget", [False, True])
def test_removing_what_is_not_here_is_refused(home, name, forget):
    store = home.store()
    store.config.mkdir()
    (store.data / "models").mkdir(parents=True)
    with pytest.raises(Problem, match="There is no model"):
        store.remove(name, forget)
    assert store.config.is_dir()
    assert (store.data / "models").is_dir()


def test_a_name_in_damaged_pins_leads_nowhere(home):
    store = home.store()
    store.config.mkdir()
    store.data.mkdir()
    (store.data / "pins.json").write_text(json.dumps({"../../config": {}}))
    with pytest.raises(Problem, match=r"pins\.json cannot be read"):
        store.remove("../../config", forget=True)
    assert store.config.is_dir()


# -- the disk


def test_damaged_pins_are_one_sentence(home, archive):
    store = home.store()
    store.data.mkdir()
    (store.data / "pins.json").write_text("[")
    for act in (store.list_models, lambda: store.add(archive, never), lambda: store.fetch("small", never)):
        with pytest.raises(Problem, match=r"pins\.json cannot be read; delete it"):
            act()


def test_a_folder_that_cannot_be_made_is_one_sentence(home, archive):
    store = home.store()
    store.data.write_text("a file where the folder should be")
    for act in (lambda: store.add(archive, never), lambda: store.fetch("small", never)):
        with pytest.raises(Problem, match=r"data.* cannot be (used|read)"):
            act()
