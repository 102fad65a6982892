"""The visit of a record at work, begun or taken up again where its record ends."""

from __future__ import annotations

from importlib.metadata import version

from assistant.dialogue.effects import Say
from assistant.dialogue.events import Opened
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import State
from assistant.record.fold import turns
from assistant.record.record import END, SCHEMA_VERSION, UTTERANCES, Record
from assistant.record.setting import setting_of
from assistant.session.edges import Edges
from assistant.session.keeping import InRecord
from assistant.session.loop import Loop
from assistant.speech.voice import VoiceError
from assistant.wording import english as wording

IN_PLACE = ("The visit before cannot go on.", "This is a new visit of the same job.", "It begins at arrival.")
"""What is said first, where a visit was begun in place of one that could not be gone on with."""


class Visit(Loop[State]):
    """Runs one visit until it is closed, or until its source of sound ends."""

    dialogue: Dialogue

    def __init__(self, record: Record, edges: Edges) -> None:
        self.record = record
        self.setting = setting_of(record)
        self.dialogue = self.setting.dialogue()
        entries, folded = list(record.entries()), list(turns(record))
        self.resumed = bool(folded)
        self._ended = any(entry.kind == END for entry in entries)
        named = {entry.body.get("audio", "") for entry in entries if entry.kind in UTTERANCES}
        state = folded[-1].after if folded else self.dialogue.start()
        self._kept = InRecord(record, self.dialogue, self.setting.grammar_sha256, named)
        super().__init__(self.dialogue, state, edges, self._kept)

    def run(self) -> bool:
        """Works the visit. Returns whether it came to its end."""
        if self._ended:
            return True
        self._kept.prepare()
        try:  # a full disk may also keep the voice from being made then
            self._ready = {text: self.edges.voice.render(text) for text in wording.NO_ROOM}
        except VoiceError:
            self._ready = {}  # the first prompt fails too, and that is recorded
        # What this run of the program is: the clock and the engine may be others than before.
        facts = {
            "program": version("ignition-assistant"),
            "schema": SCHEMA_VERSION,
            "engine": self._ears.recognizer.name,
            "grammar_sha256": self.setting.grammar_sha256,
        }
        if self.setting.in_place_of and not self.resumed:
            self._first = [Say(each) for each in IN_PLACE]
        return self.work(Opened(resumed=self.resumed), facts)
