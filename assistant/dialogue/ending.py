"""The end of a visit: the technician's own decision, what is shut off, who was told, and what is to follow.

The tool never decides. That the appliance stays on is asked, and asked twice more, before it is recorded as the
technician's decision; that it stays off leads to gas and power being shut and that being confirmed.
"""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Said
from assistant.dialogue.state import Deciding, FollowUp, Phase, State, Telling
from assistant.dialogue.steps import presented, warnings
from assistant.dialogue.summary import notice_of, summary_of
from assistant.language.meaning import Command, Meaning, Unclear
from assistant.trade.procedures import State as Site
from assistant.wording import english as wording

TIMES_ASKED = 3  # once, and confirmed twice


def decided(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes or no to "does it stay on" (or off, where it is)."""
    yes, yeses = meaning == Command("yes"), state.of(Deciding).yeses
    if wording.is_off(state.site) and not yeses:
        if yes:
            return _decision(dialogue, state, stays_on=False)
        return presented(dialogue, replace(state, at=Deciding(1)))
    if yes and yeses + 1 < TIMES_ASKED:
        return presented(dialogue, replace(state, at=Deciding(yeses + 1)))
    if yes:
        return _decision(dialogue, state, stays_on=True)
    if yeses:
        return presented(dialogue, replace(state, at=Deciding()), say(wording.NOT_TAKEN))
    state = replace(state, at=Phase.SHUTTING)
    return presented(dialogue, state, warnings(dialogue, state))


def understood(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The warnings before shutting off were understood."""
    note = Note("understood", {"step": "end", "hazards": list(dialogue.rules.procedure.shut_off)})
    return presented(dialogue, replace(state, at=Phase.SHUT), [note])


def proved(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes: it is shut off."""
    state = replace(state, site=Site(power="isolated", gas="shut"))
    note = Note("site", {"power": state.site.power, "gas": state.site.gas, "step": "end"})
    return then([note], _decision(dialogue, state, stays_on=False))


def _decision(dialogue: Context, state: State, stays_on: bool) -> Turn:
    asked = state.of(Deciding).yeses + 1 if stays_on else 1
    state = replace(state, at=Telling(stays_on))
    summary = summary_of(state, dialogue.rules)
    against = {"against": summary["against"]} if stays_on and summary["against"] else {}
    effects: list[Effect] = [Note("decision", {"stays_on": stays_on, "times_asked": asked, **against})]
    notice = notice_of(summary, stays_on)
    if notice:
        effects += [Note("notice", notice), *say(wording.notice(notice), "answer")]
    return presented(dialogue, state, effects)


def told(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The name of who was told is kept as a recording; "no" is nobody."""
    if meaning == Unclear("silence"):
        return presented(dialogue, state)
    nobody = meaning == Command("no")
    audio, stays_on = "" if nobody else event.audio, state.of(Telling).stays_on
    note = Note("told", {"nobody": nobody, "audio": audio, "words": event.heard.text})
    if not summary_of(state, dialogue.rules)["follow_up_because"]:
        return then([note], _close(dialogue, state, stays_on, audio, ""))
    return presented(dialogue, replace(state, at=FollowUp(stays_on, audio)), [note])


def follow_up(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """What is to be done is kept as a recording; "no" is nothing."""
    if meaning == Unclear("silence"):
        return presented(dialogue, state)
    nothing, at = meaning == Command("no"), state.of(FollowUp)
    audio = "" if nothing else event.audio
    because = summary_of(state, dialogue.rules)["follow_up_because"]
    note = Note("follow-up", {"nothing": nothing, "because": because, "audio": audio, "words": event.heard.text})
    return then([note], _close(dialogue, state, at.stays_on, at.told, audio))


def _close(dialogue: Context, state: State, stays_on: bool, told: str, follow_up: str) -> Turn:
    state = replace(state, at=Phase.CLOSED)
    whole = summary_of(state, dialogue.rules)
    body = {
        **whole,
        "out_of_limits": [t.quantity for t in state.standing if t.verdict.accepted is False],
        "remarks": [[remark.step, remark.text] for remark in state.remarks],
        "stays_on": stays_on,
        "told": told,
        "follow_up": follow_up,
        "notice": notice_of(whole, stays_on),
    }
    return state, [Note("closed", body), *say(wording.STAYS_ON if stays_on else wording.LEFT_OFF)]
