"""The transitions of a visit: an event and a state in, a new state and effects out. Pure.

Everything that decides what happens next is reached through the tables `EVERYWHERE` and `TRANSITIONS` at the end
of this file; the handlers they name are in the modules beside it. An answer that a phase has no transition for
leaves the state as it is and says what is wanted instead. Effects are done in order, and every `Note` is committed
before the next `Say` is voiced.

Theory of operation. A step opens in WARNING when it has hazards; they must have been played to the end
(`Voiced`), and a danger needs "understood", before the step's question is put (ASKING). A reading that needs
a spoken yes waits in CONFIRMING; one that does not is taken at its read-back. What the step leads to depends
on how the reading stands. Stop and the emergency words act in every phase but the last. In EMERGENCY only
"area clear" helps, then a recorded name and a yes; then the visit starts again from its first step, with
nothing known of power and gas.
"""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue import answers, asides, emergencies, readings, wording
from assistant.dialogue.context import Context, Handler, Turn, say
from assistant.dialogue.effects import Effect, Note, Say
from assistant.dialogue.events import Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.state import Phase, State
from assistant.dialogue.steps import ask, open_step, present
from assistant.language.meaning import Command, Meaning, Reading, Readings, Unclear


class Dialogue(Context):
    """The dialogue of one visit."""

    def start(self) -> State:
        """The state before anything has happened."""
        return State(step=self.rules.procedure.steps[0].id)

    def step(self, state: State, event: Event) -> Turn:
        """What `event` makes of `state`, and what is to be done."""
        match event:
            case Opened():
                turn = self._opened(state, event)
            case Voiced():
                turn = self._voiced(state, event)
            case Quiet():
                turn = self._quiet(state, event)
            case Said():
                turn = self._said(state, event)
        new, effects = turn
        said = tuple(effect for effect in effects if isinstance(effect, Say))
        return (replace(new, said=said) if said else new), effects

    def _opened(self, state: State, event: Opened) -> Turn:
        if not state.opened:
            turn, effects = open_step(self, replace(state, opened=True), state.step)
            return turn, [*say(wording.NO_PERMISSION), *effects]
        if state.phase is Phase.CLOSED:
            return state, []
        hello = say(f"Going on with the visit. {wording.how_far(state, self.rules)}")
        if state.phase is Phase.WARNING:
            turn, effects = open_step(self, state, state.step)
            return turn, [*hello, *effects]
        # What was warned of before the interruption is said again; "understood" is in the record already.
        step = self.rules.procedure.step(state.step)
        hazards = self.hazards(step) if state.phase is Phase.ASKING else []
        return state, [*hello, *hazards, *present(self, state)]

    def _voiced(self, state: State, event: Voiced) -> Turn:
        if not event.complete:
            problem = Note("not-voiced", {"problem": event.problem, "step": state.step})
            if state.phase is Phase.WARNING:
                return replace(state, phase=Phase.HOLDING, back_to=Phase.WARNING), [problem]
            return state, [problem]
        if state.phase is not Phase.WARNING or state.warned:
            return state, []
        step = self.rules.procedure.step(state.step)
        effects: list[Effect] = [Note("hazards-voiced", {"step": step.id, "hazards": list(step.hazards)})]
        state = replace(state, warned=True)
        if self.has_danger(step):
            return state, effects
        turn, more = ask(self, state)
        return turn, [*effects, *more]

    def _quiet(self, state: State, event: Quiet) -> Turn:
        if state.phase is Phase.CLOSED:
            return state, []
        return state, [*say("I am listening."), *present(self, state)]

    def _said(self, state: State, event: Said) -> Turn:
        return self.dispatch(state, event, self.meaning(state, event))

    def dispatch(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """What the tables say for a meaning."""
        match meaning:
            case Reading():
                key = "reading"
            case Readings():
                key = "readings"
            case Unclear():
                key = "unclear"
            case Command():
                key = meaning.name
        table = TRANSITIONS[state.phase]
        handler = table.get(key) or table.get("anything") or EVERYWHERE.get(key) or asides.not_here
        if key in ("stop", "emergency") and state.phase is not Phase.CLOSED:
            handler = EVERYWHERE[key]
        return handler(self, state, event, meaning)


def _confirmed(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes to what was heard; a command that was proposed is done where it was said."""
    candidate = state.candidate
    assert candidate is not None
    if not candidate.command:
        return answers.confirmed(dialogue, state, event, meaning)
    state = replace(state, phase=candidate.phase, candidate=None)
    return Dialogue(dialogue.language, dialogue.rules).dispatch(state, event, Command(candidate.command))


EVERYWHERE: dict[str, Handler] = {
    "emergency": emergencies.emergency_words,
    "stop": asides.stop,
    "hold": asides.hold,
    "say-again": asides.say_again,
    "how-far": asides.how_far,
    "limit": asides.limit,
    "note": asides.note,
    "correction": readings.corrected,
    "unclear": answers.not_understood,
}
"""What works in every phase that does not say otherwise; stop and emergency even then."""

TRANSITIONS: dict[Phase, dict[str, Handler]] = {
    Phase.WARNING: {
        "understood": answers.understood,
        "go-back": asides.go_back,
        "skip": asides.skip,
        "helper": asides.helper,
    },
    Phase.ASKING: {
        "reading": readings.heard_reading,
        "readings": readings.heard_readings,
        "yes": answers.yes_no,
        "no": answers.yes_no,
        "next": answers.yes_no,
        "go-back": asides.go_back,
        "skip": asides.skip,
        "mark": readings.mark,
        "helper": asides.helper,
    },
    Phase.CONFIRMING: {"yes": _confirmed, "no": answers.refused, "skip": asides.skip},
    Phase.REASON: {
        "no": asides.not_skipped,
        "go-back": asides.not_skipped,
        "correction": asides.not_skipped,
        "say-again": asides.say_again,
        "hold": asides.hold,
        "how-far": asides.how_far,
        "anything": asides.reason,
    },
    Phase.NOTING: {"anything": asides.noted},
    Phase.HOLDING: {
        "go-on": asides.go_on,
        "note": asides.note,
        "say-again": asides.say_again,
        "how-far": asides.how_far,
        "anything": asides.hold,
    },
    Phase.EMERGENCY: {"area-clear": emergencies.area_clear, "anything": emergencies.stay_out},
    Phase.CLEARING: {"anything": emergencies.named},
    Phase.CLOSED: {"anything": asides.nothing},
}
"""Phase -> what was said (a command, "reading", "unclear", or "anything" else) -> what it does."""
