"""The transitions of a visit: an event and a state in, a new state and effects out. Pure.

Everything that decides what happens next is reached through the tables `EVERYWHERE` and `TRANSITIONS` at the end
of this file; the handlers they name are in the modules beside it. An answer that a phase has no transition for
leaves the state as it is and says what is wanted instead. Effects are done in order, and every `Note` is committed
before the next `Say` is voiced.

Theory of operation. A step opens in WARNING when it has hazards; they must have been played to the end
(`Voiced`), and a danger needs "understood", before the step's question is put (ASKING). A reading that needs
a spoken yes waits in CONFIRMING; one that does not is taken at its read-back. What the step leads to depends
on how the reading stands. A timed step takes marks and says nothing between them; MISSED asks which event got
none, and TIMED for a yes to the times. Timers, the waits of steps and stopwatches run beside it all.
Before a step that opens the gas, lights or runs stands the gate: what forbids it leaves a repair or the shut-down as
the only ways on (BARRED).
A repair (REPAIR) voids what it touches and walks the visit again, as left.
"Work out" and "clock the meter" work at any step: WORKING asks what is lacking, and goes back to where it came from.
After the last step DECIDING asks whether the appliance stays on, SHUTTING follows a "no", TELLING and FOLLOW_UP
record who was told and what is to be done. The emergency words act in every phase, stop in all but the last. In
EMERGENCY only "area clear" helps, then a recorded name and a yes; then the visit starts again from its first step,
with nothing known of power and gas, even where it was closed already.
"""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue import (
    answers,
    asides,
    causes,
    emergencies,
    ending,
    gate,
    presence,
    readings,
    repairs,
    timers,
    timing,
    working_out,
)
from assistant.dialogue.context import Context, Handler, Turn, say
from assistant.dialogue.effects import Effect, Note, Say
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.state import Phase, State
from assistant.dialogue.steps import ask, barred, open_step, present
from assistant.language.meaning import Command, Meaning, Reading, Readings, Unclear
from assistant.wording import english as wording


class Dialogue(Context):
    """The dialogue of one visit."""

    def start(self) -> State:
        """The state before anything has happened."""
        return State(step=self.rules.procedure.steps[0].id)

    def over(self, state: State) -> bool:
        """Whether the visit is closed."""
        return state.phase is Phase.CLOSED

    def due_s(self, state: State) -> float | None:
        """When a timer has something to tell, on the stream's clock; None where none has."""
        return timers.due_s(self, state)

    def grown(self, state: State, text: str) -> bool | None:
        """Whether a text is an answer that can grow (True), that cannot (False), or none yet (None)."""
        return self.language.can_grow(text, self.question(state))

    def step(self, state: State, event: Event) -> Turn:
        """What `event` makes of `state`, and what is to be done."""
        match event:
            case Opened():
                turn = self._opened(state, event)
            case Voiced():
                turn = self._voiced(state, event)
            case Quiet():
                turn = presence.quiet(self, state, event)
            case Clock():  # "say again" means what was said before
                return timers.clock(self, replace(state, now_s=event.at_s), event)
            case Said():
                turn = self._said(replace(state, silences=0, now_s=event.at_s), event)
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
        works = state.working
        if state.counts_marks or state.timer_from_s is not None or (works and works.from_s is not None):
            # The stream's clock begins anew after an interruption: no time reaches across it.
            state = replace(state, marks=(), missed=(), timer_from_s=None)
            state = replace(state, working=replace(works, from_s=None) if works else None)
            lost: list[Effect] = [Note("marks-dropped", {"step": state.step, "reason": "interrupted"})]
            hello = [*lost, *hello, *say("The marks are lost. Run it again.")]
        state = replace(state, left_at=())  # for the same reason; the wait of the step begins anew too
        if asked_for := [timer for timer in state.timers if not timer.step]:
            off: list[Effect] = [Note("timer-off", {"seconds": [timer.seconds for timer in asked_for]})]
            hello = [*off, *hello, *say("The timers are off. Start them again.")]
        waits = [timer for timer in state.timers if timer.step]
        anew = (timer if timer.over else replace(timer, from_s=None, told=None) for timer in waits)
        state = replace(state, timers=tuple(anew))
        if state.stopwatches:
            gone: list[Effect] = [Note("stopwatch-lost", {"numbers": [watch.number for watch in state.stopwatches]})]
            state = replace(state, stopwatches=())
            hello = [*gone, *hello, *say("The stopwatches are lost.")]
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
            if state.phase is Phase.SHUTTING and not state.ending.understood:
                return replace(state, phase=Phase.HOLDING, back_to=Phase.SHUTTING), [problem]
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

    def _said(self, state: State, event: Said) -> Turn:
        new, effects = self.dispatch(state, event, self.meaning(state, event))
        # What was worked out aside, or corrected, can forbid the burner to run on as well as a reading can.
        knows_more = new.phase in (Phase.ASKING, Phase.WARNING) and new.facts != state.facts
        bar = gate.must_stop(self.rules, new) if knows_more else None
        if bar is None:
            return new, effects
        stopped, more = barred(self, replace(new, asked=False, warned=False), bar)
        return stopped, [*effects, *more]

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
        if key == "emergency" or (key == "stop" and state.phase is not Phase.CLOSED):
            handler = EVERYWHERE[key]
        return handler(self, state, event, meaning)


def _confirmed(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """Yes to what was heard; a command that was proposed is done where it was said."""
    candidate = state.candidate
    assert candidate is not None
    if not candidate.command:
        return answers.confirmed(dialogue, state, event, meaning)
    state = replace(state, phase=candidate.phase, candidate=None)
    if candidate.command == "emergency":  # of what, its own words tell
        event = replace(event, heard=replace(event.heard, text=candidate.words))
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
    "work-out": working_out.work_out,
    "clock-meter": working_out.clock_the_meter,
    "symptom": causes.symptom,
    "probable-cause": causes.probable_cause,
    "next-measurement": causes.next_measurement,
    "timer": timers.start,
    "how-long": timers.how_long,
    "timer-off": timers.off,
    "stopwatch": timers.stopwatch,
    **dict.fromkeys(presence.SETTINGS, presence.set_voice),
}
"""What works in every phase that does not say otherwise; stop and emergency even then."""

TRANSITIONS: dict[Phase, dict[str, Handler]] = {
    Phase.WARNING: {
        "understood": answers.understood,
        "go-back": asides.go_back,
        "skip": asides.skip,
        "helper": asides.helper,
        "repair-made": repairs.repair,
    },
    Phase.ASKING: {
        "reading": readings.heard_reading,
        "readings": readings.heard_readings,
        "yes": answers.yes_no,
        "no": answers.yes_no,
        "next": timing.next_or_over,
        "go-back": asides.go_back,
        "skip": asides.skip,
        "mark": timing.mark,
        "repair-made": repairs.repair,
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
        "timer": timers.start,
        "how-long": timers.how_long,
        "timer-off": timers.off,
        "stopwatch": timers.stopwatch,
        "anything": asides.hold,
    },
    Phase.BARRED: {"repair-made": repairs.repair, "shut-down": repairs.shut_down},
    Phase.EMERGENCY: {"area-clear": emergencies.area_clear, "anything": emergencies.stay_out},
    Phase.CLEARING: {"anything": emergencies.named},
    Phase.MISSED: {"hold": asides.hold, "say-again": asides.say_again, "anything": timing.missed},
    Phase.TIMED: {"yes": timing.times_confirmed, "no": timing.times_refused},
    Phase.REPAIR: {"hold": asides.hold, "say-again": asides.say_again, "anything": repairs.named},
    Phase.WORKING: {
        "reading": working_out.heard_input,
        "yes": working_out.yes_no,
        "no": working_out.yes_no,
        "mark": working_out.mark,
        "correction": working_out.corrected,
        "skip": working_out.given_up,
        "go-back": working_out.given_up,
    },
    Phase.DECIDING: {"yes": ending.decided, "no": ending.decided},
    Phase.SHUTTING: {
        "understood": ending.understood,
        "next": ending.done,
        "yes": ending.shut,
        "no": ending.shut,
    },
    Phase.TELLING: {"hold": asides.hold, "say-again": asides.say_again, "anything": ending.told},
    Phase.FOLLOW_UP: {"hold": asides.hold, "say-again": asides.say_again, "anything": ending.follow_up},
    Phase.CLOSED: {"anything": asides.nothing},
}
"""Phase -> what was said (a command, "reading", "unclear", or "anything" else) -> what it does."""
