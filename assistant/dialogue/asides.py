"""Commands beside the answer: say again, go back, hold, stop, skip, note, the limit, how far, helper."""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.context import Context, Turn, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Event, Said
from assistant.dialogue.figures import worst_of_times
from assistant.dialogue.state import Holding, Noting, Phase, Skipped, State, Warned, handed
from assistant.dialogue.steps import back_to_the_step, given_up, leave, open_step, present, presented, skipped, warnings
from assistant.language.meaning import Command, Meaning, Named, Unclear
from assistant.trade.limits import limit_for
from assistant.wording import english as wording


def say_again(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The last words once more."""
    return state, [*(state.said or present(dialogue, state))]


def go_back(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """To the step before, where power and gas allow it."""
    if not state.path:
        return presented(dialogue, state, say(wording.FIRST_STEP))
    step = dialogue.rules.procedure.step(state.path[-1])
    unfit = dialogue.unfit(state.site, step)
    if unfit:
        return presented(dialogue, state, say(wording.CANNOT_GO_BACK.format(why=unfit)))
    state = replace(state, path=state.path[:-1])
    return then([Note("go-back", {"to": step.id})], open_step(dialogue, state, step.id))


def hold(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Nothing is asked until "go on"."""
    return _held(state, "hold", wording.ON_HOLD)


def stop(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """As hold, and hands out."""
    return _held(state, "stop", wording.STOPPED)


def _held(state: State, kind: str, said: str) -> Turn:
    if not isinstance(state.at, Holding):
        state = replace(state, at=Holding(state.at))
    return state, [Note(kind, {"step": state.step}), *say(said)]


def go_on(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """From hold back to where the visit was."""
    note = Note("go-on", {"step": state.step})
    state = replace(state, at=state.of(Holding).back)
    # Whatever stopped the visit, the warnings are voiced again before the hand goes in.
    if (state.at is Phase.ASKING or isinstance(state.at, Warned)) and not state.hand.correcting:
        return then([note], open_step(dialogue, state, state.step))
    again = [] if state.at is Phase.ASKING else warnings(dialogue, state)
    return presented(dialogue, state, [note, *again])


def skip(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Asks for the reason of a skip, where the step can be skipped at all."""
    step = dialogue.rules.procedure.step(state.step)
    if state.hand.correcting:
        state, note = given_up(state)
        return then([*note, *say(wording.STAYS_TAKEN_BACK, "answer")], back_to_the_step(dialogue, state))
    if not (step.skippable or state.hand.untold):
        return presented(dialogue, state, say(wording.CANNOT_BE_SKIPPED))
    return presented(dialogue, replace(state, at=Phase.REASON))


def not_skipped(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The skip is cancelled."""
    return then(say(wording.NOT_SKIPPED), back_to_the_step(dialogue, state))


def reason(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Whatever is said now is the reason; its recording is kept, and the words if they are known."""
    if meaning == Unclear("silence"):
        return not_here(dialogue, state, event, meaning)
    reason = meaning.of if isinstance(meaning, Named) else wording.AS_RECORDED
    if state.hand.untold:
        return _untold(dialogue, state, reason, event.audio)
    state, note = skipped(replace(state, at=Phase.ASKING), Skipped(state.step, reason, event.audio))
    return leave(dialogue, state, "skip", [note, *say(wording.SKIPPED.format(why=reason), "answer")])


def _untold(dialogue: Context, state: State, why: str, audio: str) -> Turn:
    """A time of a timed step that no marks gave is not told either."""
    step = dialogue.rules.procedure.step(state.step)
    why = wording.NOT_TIMED.format(name=dialogue.rules.quantities[state.hand.untold[0]].spoken, why=why)
    state = replace(handed(state, untold=state.hand.untold[1:]), at=Phase.ASKING)
    state, note = skipped(state, Skipped(step.id, why, audio, part=True))
    effects: list[Effect] = [note, *say(wording.SKIPPED.format(why=why), "answer")]
    if state.hand.untold:
        return presented(dialogue, state, effects)
    return leave(dialogue, state, worst_of_times(state, step), effects)


def note(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """ "Note" alone waits for the note; with words after it, it is the note."""
    state = replace(state, at=Noting(state.at))
    if meaning == Command("note"):
        return presented(dialogue, state)
    return noted(dialogue, state, event, meaning)


def noted(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The note itself, kept as a recording."""
    note = Note("note", {"step": state.step, "audio": event.audio, "words": event.heard.text})
    return presented(dialogue, replace(state, at=state.of(Noting).back), [note, *say(wording.NOTED, "answer")])


def no_note(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """ "Nope, nothing": there is no note."""
    return presented(dialogue, replace(state, at=state.of(Noting).back), say(wording.NO_NOTE, "answer"))


def last_reading(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The last reading that stands, once more."""
    last = next(iter(reversed(state.standing)), None)
    told = wording.NO_READING
    if last:
        name = dialogue.rules.quantities[last.quantity].spoken
        told = wording.LAST_READING.format(name=name, value=wording.read_back(last))
    return presented(dialogue, state, say(told, "answer"))


def help_(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The words that work now."""
    step = dialogue.answering(state)
    return state, say(wording.can_be_said(state.at, step), "answer")


def limit(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The limit of what is asked, else of the last reading."""
    last = next(iter(reversed(state.standing)), None)
    name = dialogue.asked(state) or (last.quantity if last else None)
    if name is None:
        return presented(dialogue, state, say(wording.NO_LIMIT_HERE))
    rule = limit_for(name, dialogue.rules.limits, dialogue.rules.job)
    return presented(dialogue, state, say(wording.limit(rule), "answer"))


def how_far(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Where the visit stands."""
    return presented(dialogue, state, say(wording.how_far(state, dialogue.rules), "answer"))


def helper(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The next reading is a helper's."""
    state = replace(state, speaker="helper")
    return state, [Note("speaker", {"speaker": "helper"}), *say(wording.HELPER_GO_AHEAD)]


def not_here(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """What has no place in this phase."""
    return presented(dialogue, state, say(wording.NO_ANSWER_HERE))


def nothing(dialogue: Context, state: State, event: Event, meaning: Meaning) -> Turn:
    """It changes nothing."""
    return state, []
