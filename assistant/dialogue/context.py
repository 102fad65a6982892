"""What every handler of the dialogue works with: the language and rules of the visit, and short ways to speak. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from assistant.dialogue.effects import Effect, Manner, Note, Say
from assistant.dialogue.events import Said
from assistant.dialogue.state import Phase, Rules, State, Taken, Working
from assistant.language.meaning import Command, Meaning, Named, Question
from assistant.language.utterance import Language
from assistant.trade import units
from assistant.trade.limits import EmergencyKind
from assistant.trade.procedures import State as Site
from assistant.trade.procedures import Step
from assistant.trade.quantities import Quantity
from assistant.wording import english as wording

FINISHED, SEEN, NOW, HAPPENED = "finished", "seen", "now", "happened"
"""Rules of the grammars: "done" in more words, what a check finds, and what marks a time."""

Turn = tuple[State, list[Effect]]
"""A new state, and what is to be done."""


@dataclass(frozen=True)
class Context:
    """The language that is spoken in a visit and the rules it is worked by."""

    language: Language
    rules: Rules

    def quantity(self, name: str) -> Quantity:
        """The quantity as the meter of this job shows it."""
        quantity = self.rules.quantities[name]
        meter = self.rules.job.meter_for(name)
        if meter is None or meter.accuracy is None or not units.same_dimension(meter.accuracy.unit, quantity.unit):
            return quantity
        unit, ends = meter.accuracy.unit, {"low": meter.low, "high": meter.high}
        shown = {end: units.convert(value, unit, quantity.unit) for end, value in ends.items() if value is not None}
        return quantity.model_copy(update=shown)

    def question(self, state: State) -> Question:
        """What is being asked: it decides which words are heard and what they mean."""
        at = state.at
        if isinstance(at, Working):
            if not at.asks or at.heard:
                return Question(at.phase.value)
            asked = self.quantity(at.asks)
            return Question(at.phase.value, asked, words=(NOW,) if asked.unit == "second" else ())
        if at is not Phase.ASKING:
            return Question(at.phase.value)
        name, quantity, words = state.step, self.asked(state), self._words(state, self.answering(state))
        names = state.speaker == "helper"
        return Question(name, self.quantity(quantity), names, words) if quantity else Question(name, words=words)

    def answering(self, state: State) -> Step:
        """The step that an answer is for: that of what was taken back, else the one in hand."""
        return self.rules.procedure.step(state.hand.correcting.step if state.hand.correcting else state.step)

    def _words(self, state: State, step: Step) -> tuple[str, ...]:
        """The rules of the words that answer a step besides those of every step."""
        unit = self.rules.quantities[step.quantity].unit if step.quantity else ""
        is_marked = bool(step.events) and not (state.hand.correcting or state.hand.untold)
        words = {
            FINISHED: step.of_kind.by_hand and not step.sets,
            SEEN: bool(step.means),
            NOW: is_marked or unit in ("second", "dimensionless"),
            HAPPENED: is_marked,
        }
        return tuple(rule for rule, holds in words.items() if holds)

    def meaning(self, state: State, event: Said) -> Meaning:
        """What was said, at what is asked: an answer in the question's own words is the command that it means there."""
        meaning = self.language.meaning(event.heard, self.question(state), state.hand.refused)
        if not isinstance(meaning, Named):
            return meaning
        if meaning.rule == FINISHED:
            return Command("next")
        if meaning.rule in (NOW, HAPPENED):
            return Command("mark", marks=("" if meaning.rule == NOW else meaning.of,))
        answer = self.answering(state).means.get(meaning.of) if meaning.rule == SEEN else None
        return Command(answer, of=meaning.of) if answer else meaning

    def unfit(self, site: Site, step: Step) -> str:
        """Why a step may not be worked as power and gas are; empty when it may."""
        for what, allowed, actual in step.unfit(site):
            return wording.NEEDS_STATE.format(step=step.title.capitalize(), what=what, allowed=allowed, actual=actual)
        return ""

    def hazards(self, state: State, step: Step) -> list[Effect]:
        """The warnings of a step, to be voiced: in the brief talk a few words of those that are known."""
        hazards = ((self.rules.hazards[name], self._knows(state, name)) for name in step.hazards)
        return [effect for of, known in hazards for effect in say(of.short if known else of.say, "hazard")]

    def has_danger(self, state: State, step: Step) -> bool:
        """Whether the step waits for "understood"."""
        new = (name for name in step.hazards if not self._knows(state, name))
        return any(self.rules.hazards[name].level == "danger" for name in new)

    def _knows(self, state: State, hazard: str) -> bool:
        """Whether a warning was acknowledged before in the same states of power and gas, in the brief talk; one that
        is always acknowledged, in the step just before."""
        of = self.rules.hazards[hazard]
        if not state.is_brief or not (of.short or of.always):
            return False
        known = [each for each in state.warned_of if each.hazard == hazard]
        if of.always:
            return bool(of.short and state.path) and any(each.step == state.path[-1] for each in known)
        return any(each.site == state.site for each in known)

    def prompt(self, state: State, step: Step) -> str:
        """The question of a step, by the pace of the talk."""
        return wording.briefly(step.brief or step.say) if state.is_brief else step.say

    def asked(self, state: State) -> str | None:
        """The quantity that an answer is for: of the reading taken back, of a time to be told, or of the step."""
        if isinstance(state.at, Working):
            return state.at.asks or None
        if isinstance(state.hand.correcting, Taken):
            return state.hand.correcting.quantity
        if state.hand.correcting:
            return None
        return state.hand.untold[0] if state.hand.untold else self.rules.procedure.step(state.step).quantity


Handler = Callable[[Context, State, Any, Any], Turn]
"""What the table names: what an event, and its meaning (of the kinds that its word is of), make of the state."""


def say(text: str, manner: Manner = "prompt") -> list[Effect]:
    """A text for the voice, sentence by sentence."""
    return [Say(sentence.strip(), manner) for sentence in wording.sentences(text)]


def then(effects: Sequence[Effect], turn: Turn) -> Turn:
    """These effects, and then a turn."""
    state, more = turn
    return state, [*effects, *more]


def alarm(why: str, step: str, kind: EmergencyKind, kinds: bool = True) -> list[Effect]:
    """An emergency: its entry for the record, then what everybody is told. kinds: the record tells kinds at all."""
    body = {"why": why, "step": step, **({"kind": kind} if kinds else {})}
    return [Note("emergency", body), *say(wording.ALARMS[kind], "alarm")]
