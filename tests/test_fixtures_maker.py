"""The audio fixtures' maker: tables, time line, noise and levels, with tones in place of a synthesizer."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile

FOLDER = Path(__file__).resolve().parent.parent / "audio_fixtures"


def load(name: str) -> ModuleType:
    """A module of the maker by its path; it is a program beside the product, not a package."""
    spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


# In the order of use, so that each finds the one before it.
noise = load("furnace_noise")
voices = load("kokoro_voices")
make = load("make")

RATE_HZ = noise.RATE_HZ

VISIT = """\
# title: An invented visit
# noise: blower
# snr_db: 12
# ticks_per_s: 3
# seed: 5
# voice technician: am_adam
# voice helper: bf_alice*0.6+af_sky
# speed helper: 1.1

speaker\ttext\tpause_s
technician\tone twenty ohms
helper\to l\t2.5
technician\tunderstood\t
"""

CLIPS = """\
# seed: 3
# noise: hum
# snr_db: 10
file\tvoice\tnoise\tsnr_db\ttext\tvalue
a.flac\tam_adam\t\t\tforty ppm\t40
b.flac\tam_liam\tnone\t\tfifteen\t15
c.flac\tam_eric\tblower\t5\tpoint oh five\t0.05
"""


def tone(text: str, voice: str = "am_adam", speed: float = 1.0) -> np.ndarray:
    """A stand-in for speech: as long as the text, with a rhythm like syllables and quiet gaps."""
    t = np.arange(round((0.2 + 0.06 * len(text)) * RATE_HZ / speed)) / RATE_HZ
    pitch_hz = 120 + 20 * (len(voice) % 5)
    sound = np.sin(2 * np.pi * pitch_hz * t) + 0.4 * np.sin(2 * np.pi * 1700 * t)
    return (0.5 * sound * np.abs(np.sin(2 * np.pi * 2 * t)) ** 2).astype(np.float32)


def db(ratio: float) -> float:
    return 10 * float(np.log10(ratio))


# --- tables ---------------------------------------------------------------------------


def test_a_visit_is_read_with_its_voices_paces_and_pauses() -> None:
    visit = make.visit_of(make.parse_table(VISIT))
    assert visit.title == "An invented visit"
    assert visit.seed == 5
    assert visit.conditions == make.Conditions("blower", 12.0, 3.0)
    assert [(x.speaker, x.voice, x.speed, x.text, x.pause_s) for x in visit.lines] == [
        ("technician", "am_adam", 1.0, "one twenty ohms", 1.2),
        ("helper", "bf_alice*0.6+af_sky", 1.1, "o l", 2.5),
        ("technician", "am_adam", 1.0, "understood", 1.2),
    ]


def test_single_readings_take_from_the_head_what_a_row_leaves_out() -> None:
    a, b, c = make.readings_of(make.parse_table(CLIPS)).clips
    assert a.conditions == make.Conditions("hum", 10.0)
    assert b.conditions == make.Conditions("none", None)
    assert c.conditions == make.Conditions("blower", 5.0)
    assert a.extra == {"value": "40"}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("# title: nothing\n", "no rows"),
        ("speaker\ttext\n", "no rows"),
        ("speaker\ttext\ttext\nx\ty\tz\n", "named twice"),
        ("speaker\ttext\nx\ty\tz\n", "table:2: 3 cells for 2 columns"),
        ("speaker\ttext\nhelper\tyes\n", "table:2: no voice for 'helper'"),
        ("# voice helper: nobody\nspeaker\ttext\nhelper\tyes\n", "may not be used"),
        ("# voice a: am_adam\nspeaker\ttext\na\t\n", "table:3: no text"),
        ("# voice a: am_adam\nspeaker\ttext\tpause_s\na\tyes\tlong\n", "not a number"),
        ("# voice a: am_adam\nspeaker\ttext\tpause_s\na\tyes\t-1\n", "outside 0 to 600"),
        ("# voice a: am_adam\n# noise: rain\nspeaker\ttext\na\tyes\n", "unknown noise"),
        ("# voice a: am_adam\n# noise: blower\nspeaker\ttext\na\tyes\n", "needs snr_db"),
        (
            "# voice a: am_adam\n# noise: hum\n# snr_db: 9\n# ticks_per_s: 40\nspeaker\ttext\na\tyes\n",
            "outside 2 to 6",
        ),
    ],
)
def test_a_visit_that_cannot_be_made_says_where_and_why(text: str, why: str) -> None:
    with pytest.raises(make.TableError, match=why):
        make.visit_of(make.parse_table(text))


@pytest.mark.parametrize("file", ["a.wav", "../a.flac", "x/a.flac", ""])
def test_a_clip_is_only_written_into_its_own_folder(file: str) -> None:
    with pytest.raises(make.TableError, match="plain name"):
        make.readings_of(make.parse_table(f"file\tvoice\ttext\n{file}\tam_adam\tyes\n"))


def test_no_two_clips_have_one_file() -> None:
    with pytest.raises(make.TableError, match="named twice"):
        make.readings_of(make.parse_table("file\tvoice\ttext\na.flac\tam_adam\tyes\na.flac\tam_adam\tno\n"))


def test_an_output_table_can_be_read_again() -> None:
    text = make.format_table(("speaker", "text"), [("a", "yes"), ("b", "no")], ("title: both", "seed: 4"))
    table = make.parse_table(text)
    assert table.head == {"title": "both", "seed": "4"}
    assert [dict(row.cells) for row in table.rows] == [
        {"speaker": "a", "text": "yes"},
        {"speaker": "b", "text": "no"},
    ]


# --- words and voices -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("forty ppm", "forty P P M."),
        ("o l", "O L."),
        ("O L", "O L."),
        ("CO nine parts per million", "C O nine parts per million."),
        ("three point five inches w c", "three point five inches W C."),
        ("go on", "go on."),
        ("hello light", "hello light."),
        ("correction", "correction."),
        ("stop!", "stop!"),
    ],
)
def test_acronyms_are_given_letter_by_letter(text: str, said: str) -> None:
    assert voices.say_as(text) == said


def test_voices_that_are_kept_aside_are_refused() -> None:
    assert voices.parse_voice("am_adam") == [("am_adam", 1.0)]
    (first, share), (second, rest) = voices.parse_voice("am_adam*0.6+bf_alice")
    assert (first, second) == ("am_adam", "bf_alice")
    assert share == pytest.approx(0.6)
    assert share + rest == pytest.approx(1.0)
    for name in ("af_heart", "am_adam*0.5+af_heart", "am_adam*1.5+bf_alice", ""):
        with pytest.raises(voices.VoiceError):
            voices.parse_voice(name)


def test_silence_at_the_ends_of_an_utterance_goes() -> None:
    sound = np.concatenate([np.zeros(5000), tone("yes"), np.zeros(9000)]).astype(np.float32)
    tidied = voices.tidy(sound)
    assert len(tidied) <= len(tone("yes")) + RATE_HZ // 100
    assert np.abs(tidied).max() == pytest.approx(0.7, abs=1e-3)
    with pytest.raises(voices.VoiceError, match="silence"):
        voices.tidy(np.zeros(100, dtype=np.float32))


# --- time line ------------------------------------------------------------------------


def test_utterances_lie_on_the_line_with_their_pauses() -> None:
    sounds = [tone("one"), tone("two hundred"), tone("three")]
    line, spans = make.time_line(sounds, [0.5, 1.2, 3.0], lead_s=1.0)
    assert spans[0][0] == RATE_HZ
    for (start, end), sound in zip(spans, sounds, strict=True):
        np.testing.assert_array_equal(line[start:end], sound)
    assert spans[1][0] - spans[0][1] == round(1.2 * RATE_HZ)
    assert spans[2][0] - spans[1][1] == 3 * RATE_HZ
    assert not line[spans[0][1] : spans[1][0]].any()
    assert len(line) == spans[2][1] + round(make.TAIL_S * RATE_HZ)


def test_a_rooms_tail_sounds_into_the_pause_and_is_not_counted() -> None:
    sound = np.ones(1000, dtype=np.float32)
    line, spans = make.time_line([sound, sound], [0.0, 0.01], tails=300, lead_s=0.1)
    assert spans == [(1600, 2300), (2460, 3160)]
    assert line[2500] == 2.0  # the tail of the first under the second
    assert line[3400] == 1.0


def test_a_first_pause_longer_than_the_lead_is_kept() -> None:
    _, spans = make.time_line([tone("one")], [4.0], lead_s=1.0)
    assert spans[0][0] == 4 * RATE_HZ


# --- noise and level ------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["blower", "hum"])
@pytest.mark.parametrize("ticks_per_s", [0.0, 4.0])
@pytest.mark.parametrize("snr_db", [20.0, 10.0, 5.0, 0.0])
def test_noise_is_as_far_under_the_speech_as_asked(kind: str, ticks_per_s: float, snr_db: float) -> None:
    sounds = [make.at_level(tone(x)) for x in ("one twenty ohms", "yes", "point oh five inches")]
    line, _ = make.time_line(sounds, [0.0, 1.2, 6.0])
    power = noise.active_power(np.concatenate(sounds))
    speech, added = make.mix(line, power, make.Conditions(kind, snr_db, ticks_per_s), make.rng_for(1, kind))
    assert db(noise.active_power(speech) / noise.mean_power(added)) == pytest.approx(snr_db, abs=0.5)
    assert np.abs(speech + added).max() <= make.PEAK + 1e-6


def test_pauses_do_not_count_as_speech() -> None:
    sound = tone("one hundred eighteen point five volts")
    longer = np.concatenate([sound, np.zeros(10 * RATE_HZ, dtype=np.float32)])
    assert db(noise.active_power(longer) / noise.active_power(sound)) == pytest.approx(0, abs=0.1)


def test_utterances_are_brought_to_one_level() -> None:
    quiet, loud = (make.at_level(tone("yes") * np.float32(x)) for x in (0.01, 0.8))
    assert db(noise.active_power(quiet)) == pytest.approx(make.SPEECH_DBFS, abs=0.05)
    assert db(noise.active_power(loud)) == pytest.approx(make.SPEECH_DBFS, abs=0.05)
    with pytest.raises(ValueError, match="silence"):
        make.at_level(np.zeros(4000, dtype=np.float32))


def test_a_blower_roars_low_hums_at_120_hz_and_wanders_slowly() -> None:
    sound = noise.make_noise("blower", 30 * RATE_HZ, np.random.default_rng(2)).astype(np.float64)
    assert noise.mean_power(sound) == pytest.approx(1.0, abs=1e-3)
    power = np.abs(np.fft.rfft(sound)) ** 2
    f = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    assert power[f < 1000].sum() > 0.7 * power.sum()
    near = power[(f > 110) & (f < 130)]
    assert near.max() > 100 * np.median(near)
    seconds = np.square(sound).reshape(30, RATE_HZ).mean(axis=1)
    assert 0.3 < db(seconds.max() / seconds.min()) < 8


def test_spark_ticks_come_as_often_as_asked() -> None:
    sound = noise.make_noise("none", 20 * RATE_HZ, np.random.default_rng(4), 3.0)
    blocks = np.abs(sound).reshape(-1, RATE_HZ // 50).max(axis=1) > 8
    starts = np.count_nonzero(blocks[1:] & ~blocks[:-1])
    assert 54 <= starts <= 66


def test_a_room_keeps_the_first_moment_and_adds_a_tail() -> None:
    response = noise.room_response(np.random.default_rng(1), strength_db=-12.0)
    assert response[0] == 1.0
    assert db(float(np.square(response[1:]).sum())) == pytest.approx(-12.0, abs=0.2)
    click = np.zeros(100, dtype=np.float32)
    click[0] = 1.0
    heard = noise.in_room(click, response)
    assert len(heard) == len(click) + len(response) - 1
    np.testing.assert_allclose(heard[: len(response)], response, atol=1e-5)


def test_unknown_noise_and_silence_are_refused() -> None:
    with pytest.raises(ValueError, match="unknown noise"):
        noise.make_noise("rain", 1000, np.random.default_rng(1))
    with pytest.raises(ValueError, match="silent"):
        noise.snr_gain(0.0, 1.0, 10.0)


def test_sound_that_would_clip_is_refused() -> None:
    np.testing.assert_array_equal(make.to_pcm16(np.array([0, 1, -1], dtype=np.float32)), [0, 32767, -32767])
    with pytest.raises(ValueError, match="clips"):
        make.to_pcm16(np.array([1.1], dtype=np.float32))


# --- whole fixtures -------------------------------------------------------------------


def test_a_visits_files_are_the_same_each_time_and_say_what_is_said_when(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "v.tsv").write_text(VISIT, encoding="utf-8")
        make.make(tmp_path / name / "v.tsv", tone)
    for file in ("v.flac", "v.spoken.tsv"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()

    about = soundfile.info(tmp_path / "one" / "v.flac")
    assert (about.samplerate, about.channels, about.format, about.subtype) == (16000, 1, "FLAC", "PCM_16")
    text = (tmp_path / "one" / "v.spoken.tsv").read_text(encoding="utf-8")
    assert "Apache-2.0" in text
    assert "Invented" in text
    table = make.parse_table(text)
    assert list(table.columns) == ["start_s", "end_s", "speaker", "voice", "text"]
    spans = [(float(r.cells["start_s"]), float(r.cells["end_s"])) for r in table.rows]
    assert spans[0][0] == pytest.approx(1.2)  # its pause, which is longer than the lead
    assert spans[1][0] - spans[0][1] == pytest.approx(2.5, abs=0.002)
    assert spans[2][0] - spans[1][1] == pytest.approx(1.2, abs=0.002)
    assert spans[2][1] + make.TAIL_S == pytest.approx(about.duration, abs=0.002)


def test_another_seed_is_another_sound(tmp_path: Path) -> None:
    for name, seed in (("a", "5"), ("b", "6")):
        (tmp_path / f"{name}.tsv").write_text(VISIT.replace("seed: 5", f"seed: {seed}"), encoding="utf-8")
        make.make(tmp_path / f"{name}.tsv", tone)
    assert (tmp_path / "a.flac").read_bytes() != (tmp_path / "b.flac").read_bytes()


def test_the_noise_is_still_there_between_utterances(tmp_path: Path) -> None:
    (tmp_path / "v.tsv").write_text(VISIT, encoding="utf-8")
    make.make(tmp_path / "v.tsv", tone, tmp_path / ".")
    sound, _ = soundfile.read(tmp_path / "v.flac")
    parts = sound[: len(sound) // 1600 * 1600].reshape(-1, 1600)
    assert parts.std(axis=1).min() > 1e-4
    assert np.abs(sound).max() <= 0.901


def test_single_readings_are_a_folder_and_a_table(tmp_path: Path) -> None:
    (tmp_path / "readings.tsv").write_text(CLIPS, encoding="utf-8")
    make.make(tmp_path / "readings.tsv", tone)
    table = make.parse_table((tmp_path / "readings.spoken.tsv").read_text(encoding="utf-8"))
    assert [row.cells["value"] for row in table.rows] == ["40", "15", "0.05"]
    assert [(row.cells["noise"], row.cells["snr_db"]) for row in table.rows] == [
        ("hum", "10"),
        ("none", ""),
        ("blower", "5"),
    ]
    for row in table.rows:
        sound, rate = soundfile.read(tmp_path / "readings" / row.cells["file"])
        end_s = float(row.cells["end_s"])
        assert rate == RATE_HZ
        assert float(row.cells["start_s"]) == pytest.approx(make.CLIP_LEAD_S)
        assert len(sound) / rate == pytest.approx(end_s + make.CLIP_TAIL_S, abs=0.002)


def test_one_clip_does_not_change_another(tmp_path: Path) -> None:
    (tmp_path / "all.tsv").write_text(CLIPS, encoding="utf-8")
    lines = CLIPS.splitlines(keepends=True)
    (tmp_path / "last.tsv").write_text("".join([*lines[:4], lines[-1]]), encoding="utf-8")
    for name in ("all", "last"):
        make.make(tmp_path / f"{name}.tsv", tone)
    assert (tmp_path / "all" / "c.flac").read_bytes() == (tmp_path / "last" / "c.flac").read_bytes()


def test_tables_are_checked_before_anything_is_spoken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "good.tsv").write_text(VISIT, encoding="utf-8")
    (tmp_path / "x.tsv").write_text("words\nyes\n", encoding="utf-8")
    assert make.main(["--voices", str(tmp_path), str(tmp_path / "good.tsv"), str(tmp_path / "x.tsv")]) == 1
    assert "x.tsv: needs the columns speaker and text" in capsys.readouterr().err
    assert make.main([str(tmp_path / "missing.tsv")]) == 1
    assert "missing.tsv" in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["good.tsv", "x.tsv"]
