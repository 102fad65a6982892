"""A visit at work when things go wrong around it: talk that is nobody's business, full disks, kills."""

from __future__ import annotations

import numpy as np
import pytest
from doubles import ScriptedPlayer, ScriptedVoice, TestClock
from scripted_ears import Person, open_visit

from assistant.dialogue.events import Said
from assistant.dialogue.state import Phase
from assistant.errors import NotWritten
from assistant.language.meaning import Command, Reading, Unclear
from assistant.record.fold import turns
from assistant.record.record import Record, audio_of
from assistant.session.loop import RETRY_S
from assistant.session.privacy import FREE_SPEECH, NO_QUESTION, QUESTIONS, keeps
from assistant.speech import ears
from assistant.wording import english as wording

TALK = "[unk] my neighbour five [unk] told me"


def saying(*words):
    """Says these, then nothing more."""
    waiting = list(words)
    return lambda: waiting.pop(0) if waiting else None


def entries_of(path):
    with Record.open(path, read_only=True) as record:
        return list(record.entries())


# what is kept


@pytest.mark.parametrize(
    ("phase", "meaning", "kept"),
    [
        (Phase.ASKING, Reading(3, "ppm"), True),
        (Phase.HOLDING, Command("go-on"), True),
        (Phase.ASKING, Unclear("ambiguous", ("350", "3.50")), True),
        (Phase.ASKING, Unclear("wrong-dimension"), True),
        (Phase.ASKING, Unclear("not-understood"), False),
        (Phase.ASKING, Unclear("not-understood", near=Command("go-back")), True),
        (Phase.ASKING, Unclear("silence"), False),
        (Phase.CONFIRMING, Unclear("not-asked"), True),
        (Phase.HOLDING, Unclear("not-asked"), False),
        (Phase.EMERGENCY, Unclear("not-understood"), False),
        (Phase.REASON, Unclear("not-understood"), True),
        (Phase.NOTING, Unclear("not-understood"), True),
        (Phase.CLEARING, Unclear("not-understood"), True),
        (Phase.CLEARING, Unclear("silence"), False),
    ],
)
def test_what_is_kept(phase, meaning, kept):
    assert keeps(phase, meaning) is kept


def test_every_phase_says_what_is_an_answer_in_it():
    assert sorted(p.value for p in (*FREE_SPEECH, *QUESTIONS, *NO_QUESTION)) == sorted(p.value for p in Phase)


def test_talk_is_only_counted(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, saying(TALK, "three parts per million", TALK, "yes"), clock=TestClock())
    visit.run()
    visit.record.close()
    entries = entries_of(path)
    said = [entry.body for entry in entries if entry.kind == "said"]
    assert [body["heard"]["text"] for body in said] == ["[unk]", "three parts per million", "[unk]", "yes"]
    assert [body["audio"] for body in said] == ["", "0001.flac", "", "0002.flac"]
    assert sorted(sound.name for sound in audio_of(path).iterdir()) == ["0001.flac", "0002.flac"]
    counts = [entry.body for entry in entries if entry.kind == "discarded"]
    assert [count["utterances"] for count in counts] == [1, 1]
    assert all(count["seconds"] >= 0 for count in counts)
    text = "".join(str(entry.body) for entry in entries[1:])
    assert "neighbour" not in text
    assert [entry.body["reason"] for entry in entries if entry.kind == "unclear"] == ["not-understood"] * 2
    with Record.open(path, read_only=True) as record:
        assert all(turn.same for turn in turns(record))


def test_talk_between_two_sentences_of_the_assistant_is_counted_and_stop_is_kept(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, saying(TALK, "one twenty", "stop"), clock=TestClock(), can_interrupt=True)
    visit.run()
    visit.record.close()
    entries = entries_of(path)
    assert "stop" in [entry.kind for entry in entries]
    assert [entry.body["utterances"] for entry in entries if entry.kind == "discarded"] == [2]
    assert len(list(audio_of(path).iterdir())) == 1


def test_what_is_kept_of_an_utterance(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, saying("three parts per million"), clock=TestClock())
    visit.run()
    visit.record.close()
    (body,) = [entry.body for entry in entries_of(path) if entry.kind == "said"]
    assert body["engine"] == "scripted 1, model none"
    assert body["grammar_sha256"] == visit.setting.grammar_sha256
    assert body["considered"] == [{"value": "3", "unit": "ppm", "how": body["considered"][0]["how"], "gone": ""}]
    assert {"at_s", "stream_from_s", "stream_to_s", "sha256", "question", "decode_s"} <= set(body)
    (opened,) = [entry.body for entry in entries_of(path) if entry.kind == "opened"]
    assert {"program", "schema", "engine", "grammar_sha256"} <= set(opened)


def test_the_noise_around_the_words_is_in_the_record_where_it_is_known(tmp_path, monkeypatch):
    ratios = iter([21.04, None])
    monkeypatch.setattr(ears, "over_noise_db", lambda *_: next(ratios))
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, saying("three parts per million", "yes"), clock=TestClock())
    visit.run()
    visit.record.close()
    first, second = (entry.body for entry in entries_of(path) if entry.kind == "said")
    assert first["over_noise_db"] == 21.0
    assert "over_noise_db" not in second
    with Record.open(path, read_only=True) as record:
        assert [turn.event.over_noise_db for turn in turns(record) if isinstance(turn.event, Said)] == [21.0, None]
        assert all(turn.same for turn in turns(record))


def test_a_device_event_is_a_fact_beside_the_decisions(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, saying("three parts per million"), clock=TestClock())
    visit.run()
    visit.device("microphone lost", problem="it was pulled out")
    visit.record.close()
    assert entries_of(path)[-1].body == {"what": "microphone lost", "problem": "it was pulled out"}
    with Record.open(path, read_only=True) as record:
        assert all(turn.same for turn in turns(record))


# a full disk


class Full:
    """A record that cannot be written `times` times, from when it is told."""

    def __init__(self, visit, times):
        self._visit, self._times, self._append = visit, times, visit.record.append
        visit.record.append = self

    def __call__(self, entries):
        if any(kind == "reading" for kind, _ in entries) and self._times:
            self._times -= 1
            raise NotWritten("The record could not be written (disk full).")
        return self._append(entries)


def test_a_full_disk_is_told_once_the_visit_holds_and_goes_on(tmp_path):
    path = tmp_path / "visit.sqlite"
    waits = []
    visit = open_visit(path, saying("three parts per million", "yes"), clock=TestClock(), sleep=waits.append)
    Full(visit, 3)
    visit.run()
    visit.record.close()
    rendered = visit.edges.voice.rendered
    assert waits == [5.0, 5.0, 5.0]
    assert all(rendered.count(text) == 1 for text in wording.NO_ROOM)  # made beforehand, while there was room
    # Nothing of the reading was said before it was written.
    assert rendered.index("Taken.") > rendered.index(wording.ROOM_AGAIN)
    entries = entries_of(path)
    assert [entry.kind for entry in entries].count("reading") == 1
    (held,) = [entry.body for entry in entries if entry.kind == "held-for-room"]
    assert held == {"seconds": 15.0, "problem": "The record could not be written (disk full)."}


def test_an_emergency_is_answered_while_the_disk_is_full_and_recorded_after(tmp_path):
    path = tmp_path / "visit.sqlite"
    state = {"reading": False}
    words = ["three parts per million", "yes", "I smell gas"]

    def say():
        # Between two sentences nobody speaks; the odour comes while the record cannot be written.
        if full._times == 1 and len(words) == 1:
            return words.pop(0)
        return words.pop(0) if len(words) > 1 and not state["reading"] else None

    visit = open_visit(path, say, clock=TestClock(), can_interrupt=True, sleep=lambda seconds: None)
    full = Full(visit, 2)
    listen_between = visit._listen_between
    visit._listen_between = lambda seconds: listen_between(seconds) if seconds == RETRY_S else 0.0
    visit.run()
    visit.record.close()
    kinds = [entry.kind for entry in entries_of(path)]
    assert kinds.index("reading") < kinds.index("emergency")
    assert visit.state.phase is Phase.EMERGENCY
    rendered = visit.edges.voice.rendered
    alarm = next(at for at, text in enumerate(rendered) if "leave" in text.lower())
    assert alarm < rendered.index(wording.ROOM_AGAIN)


def test_where_nobody_can_make_room_it_ends_with_one_sentence(tmp_path):
    visit = open_visit(tmp_path / "visit.sqlite", saying("three parts per million", "yes"), sleep=None)
    Full(visit, 1)
    with pytest.raises(NotWritten, match="disk full"):
        visit.run()
    visit.record.close()


# after a kill


def test_recordings_that_no_entry_names_go_when_the_visit_goes_on(tmp_path):
    path = tmp_path / "visit.sqlite"
    open_visit(path, saying("three parts per million"), clock=TestClock()).record.close()
    audio_of(path).mkdir()
    (audio_of(path) / "0001.flac").write_bytes(b"written, and then killed")
    (audio_of(path) / ".0002.flac.part").write_bytes(b"half")
    visit = open_visit(path, saying(), clock=TestClock())
    visit.run()
    visit.record.close()
    assert list(audio_of(path).iterdir()) == []


def test_a_visit_killed_between_its_closing_and_its_end_is_ended_by_resuming(tmp_path):
    path = tmp_path / "visit.sqlite"
    visit = open_visit(path, Person(), clock=TestClock())
    append = visit.record.append

    class KilledError(Exception):
        pass

    def killed(entries):
        if entries[0][0] == "end":
            raise KilledError
        return append(entries)

    visit.record.append = killed
    with pytest.raises(KilledError):
        visit.run()
    visit.record.close()
    again = open_visit(path, saying(), clock=TestClock())
    assert again.run()
    again.record.close()
    assert entries_of(path)[-1].kind == "end"
    ended = open_visit(path, saying(), clock=TestClock())
    assert ended.run()  # nothing more to do
    ended.record.close()


# how loud it is where nobody answers


class Silent(Person):
    """Asks for a quieter voice twice, and says nothing any more once power is to be isolated."""

    def __init__(self) -> None:
        super().__init__()
        self._first = ["quieter", "quieter"]
        self._silences = [30.0, 30.0, 30.0]

    def __call__(self) -> str | float | None:
        assert self.visit is not None
        if self._first:
            return self._first.pop(0)
        if self.visit.state.step == "isolate" and self.visit.state.phase is Phase.ASKING:
            return self._silences.pop(0) if self._silences else None
        return super().__call__()


def test_each_call_is_louder_than_the_one_before_and_the_alarm_is_at_full_loudness(tmp_path):
    player, voice = ScriptedPlayer(), ScriptedVoice()
    open_visit(tmp_path / "visit.sqlite", Silent(), clock=TestClock(), player=player, voice=voice).run()
    full = np.abs(voice.render("full").samples.astype(int)).max()
    texts = voice.rendered[-1 - len(player.played) : -1]
    loud_db = [
        (text, round(20 * np.log10(np.abs(sound.samples.astype(int)).max() / full)))
        for text, sound in zip(texts, player.played, strict=True)
    ]
    called = [db for text, db in loud_db if text == "Are you there?"]
    assert called == [-9, -6]
    assert [db for text, db in loud_db if text == "Nobody answers."] == [0]
    assert loud_db[-1][1] == 0
