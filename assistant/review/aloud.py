"""A visit played aloud from its record: the people's recordings, and what the assistant said, as it was said."""

from __future__ import annotations

from collections.abc import Callable

from assistant.errors import Problem
from assistant.record.entries import Said
from assistant.record.fold import Recorded, recorded
from assistant.record.record import Record, audio_of
from assistant.speech.audio import read_audio
from assistant.speech.player import Player, PlayerError
from assistant.speech.voice import Voice, VoiceError


def play(
    record: Record,
    voice: Voice,
    player: Player,
    show: Callable[[Recorded], None],
    sleep: Callable[[float], None] | None,
) -> int:
    """Plays the visit; returns how many recordings were not there (erased, or not kept).

    show(turn) is told of each turn before it is played. sleep: waits through the pauses of the visit; None leaves
    them out. Raises Problem where the voice or the loudspeaker fails.
    """
    absent, heard_to_s = 0, 0.0
    for turn in recorded(record.entries()):
        if turn.event is None:
            continue
        show(turn)
        body = turn.body
        if body.stream_to_s is not None:
            begins_s = body.stream_to_s if body.stream_from_s is None else body.stream_from_s
            if sleep:
                sleep(max(0.0, begins_s - heard_to_s))
            heard_to_s = body.stream_to_s
        try:
            for said in body.played or ():  # of an utterance: what it interrupted
                player.play(voice.render(said.text))
            if isinstance(body, Said):
                sound = audio_of(record.path) / body.audio
                if body.audio and sound.is_file():
                    player.play(read_audio(sound))
                else:
                    absent += 1
        except (VoiceError, PlayerError) as wrong:
            raise Problem(f"The visit cannot be played: {wrong}") from wrong
    return absent
