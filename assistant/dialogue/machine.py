"""The transitions of a visit: an event and a state in, a new state and effects out. Pure.

Everything that decides what happens next is in this file and in the tables `EVERYWHERE` and `TRANSITIONS` at
its end. An answer that a phase has no transition for leaves the state as it is and says what is wanted
instead. Effects are done in order, and every `Note` is committed before the next `Say` is voiced.

Theory of operation. A step opens in WARNING when it has hazards; they must have been played to the end
(`Voiced`), and a danger needs "understood", before the step's question is put (ASKING). A reading that needs
a spoken yes waits in CONFIRMING; one that does not is taken at its read-back. What the step leads to depends
on how the reading stands. Stop and the emergency words act in every phase but the last. In EMERGENCY only
"area clear" helps, then a recorded name and a yes; then the visit starts again from its first step, with
nothing known of power and gas.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal

from assistant.dialogue import wording
from assistant.dialogue.effects import Effect, Manner, Note, Say
from assistant.dialogue.events import Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.state import Candidate, Found, Phase, Rules, Skipped, State, Taken
from assistant.language.meaning import Command, Confirm, Meaning, Question, Reading, Readings, Unclear, Value
from assistant.language.spoken import spoken_value
from assistant.language.utterance import NOTE_FIRST, Language, normalise
from assistant.trade import units
from assistant.trade.findings import FINDINGS
from assistant.trade.judging import Verdict, judge
from assistant.trade.limits import limit_for
from assistant.trade.procedures import EMERGENCY, END, Step, after_step, left_out
from assistant.trade.procedures import State as Site
from assistant.trade.quantities import Overload, Quantity

Turn = tuple[State, list[Effect]]

# A reading this many times the last visit's, or this part of it, is asked (common practice).
FAR = Decimal(3)

# From best to worst, to choose where a step leads when a reading completes findings.
_RANK = ("noted", "pass", "caution", "cannot-judge", "conditional-pass", "conditional-fail", "fail")


@dataclass(frozen=True)
class Dialogue:
    """The dialogue of one visit: the language that is spoken in it and the rules it is worked by."""

    language: Language
    rules: Rules

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

    # --- what is asked

    def question(self, state: State) -> Question:
        """What is being asked: it decides which words are heard and what they mean."""
        step = self.rules.procedure.step(state.step)
        if state.phase is not Phase.ASKING:
            return Question(state.phase.value)
        quantity = state.correcting.quantity if state.correcting else step.quantity
        names = state.speaker == "helper"
        return Question(step.id, self._quantity(quantity), names) if quantity else Question(step.id)

    def _quantity(self, name: str) -> Quantity:
        """The quantity as the meter of this job shows it."""
        quantity = self.rules.quantities[name]
        meter = self.rules.job.meter_for(name)
        if meter is None or meter.accuracy is None or not units.same_dimension(meter.accuracy.unit, quantity.unit):
            return quantity

        def in_unit(value: Decimal | None, default: Decimal) -> Decimal:
            return default if value is None else units.convert(value, meter.accuracy.unit, quantity.unit)  # type: ignore[union-attr]

        return quantity.model_copy(
            update={
                "low": in_unit(meter.low, quantity.low),
                "high": in_unit(meter.high, quantity.high),
            }
        )

    def _meaning(self, state: State, event: Said) -> Meaning:
        return self.language.understand(event.heard.text, self.question(state), state.refused)

    # --- events

    def _opened(self, state: State, event: Opened) -> Turn:
        if not state.opened:
            turn, effects = self._open(replace(state, opened=True), state.step)
            return turn, [*_say(wording.NO_PERMISSION), *effects]
        if state.phase is Phase.CLOSED:
            return state, []
        hello = _say(f"Going on with the visit. {wording.how_far(state, self.rules)}")
        if state.phase is Phase.WARNING:
            turn, effects = self._open(state, state.step)
            return turn, [*hello, *effects]
        # What was warned of before the interruption is said again; "understood" is in the record already.
        step = self.rules.procedure.step(state.step)
        hazards = self._hazards(step) if state.phase is Phase.ASKING else []
        return state, [*hello, *hazards, *self._present(state)]

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
        if self._has_danger(step):
            return state, effects
        turn, more = self._ask(state)
        return turn, [*effects, *more]

    def _quiet(self, state: State, event: Quiet) -> Turn:
        if state.phase is Phase.CLOSED:
            return state, []
        return state, [*_say("I am listening."), *self._present(state)]

    def _said(self, state: State, event: Said) -> Turn:
        return self._dispatch(state, event, self._meaning(state, event))

    def _dispatch(self, state: State, event: Said, meaning: Meaning) -> Turn:
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
        handler = table.get(key) or table.get("anything") or EVERYWHERE.get(key) or Dialogue._not_here
        if key in ("stop", "emergency") and state.phase is not Phase.CLOSED:
            handler = EVERYWHERE[key]
        return handler(self, state, event, meaning)

    # --- opening and leaving a step

    def _open(self, state: State, step_id: str) -> Turn:
        """Comes to a step; the state of power and gas must allow it."""
        if state.correcting:
            state, given_up = self._given_up(state)
            turn, effects = self._open(state, step_id)
            return turn, [*given_up, *effects]
        state = replace(state, candidate=None, refused=(), failures=0, timer_from_s=None, warned=False, asked=False)
        if step_id == END:
            return self._close(state)
        if step_id == EMERGENCY:
            return self._emergency(state, "smell of gas", wording.GAS_ALARM)
        step = self.rules.procedure.step(step_id)
        state = replace(state, step=step_id)
        if reason := left_out(step, self.rules.job):
            state = replace(state, skipped=(*state.skipped, Skipped(step.id, reason)))
            note = Note("left-out", {"step": step.id, "reason": reason})
            turn, effects = self._open(state, self.rules.procedure.after(step, "skip"))
            return turn, [note, *effects]
        unfit = self._unfit(state.site, step)
        if unfit:
            state = replace(state, phase=Phase.HOLDING, back_to=Phase.ASKING)
            return state, [
                Note("not-opened", {"step": step.id, "reason": unfit}),
                *_say(f"{unfit} Make it safe first."),
            ]
        if step.hazards:
            ask = _say("Say understood.") if self._has_danger(step) else []
            return replace(state, phase=Phase.WARNING), [*self._hazards(step), *ask]
        return self._ask(state)

    def _ask(self, state: State) -> Turn:
        """Puts the step's question; a reading that was said ahead of it is read back instead."""
        state = replace(state, phase=Phase.ASKING, failures=0, asked=True)
        quantity = self.rules.procedure.step(state.step).quantity
        kept = next((candidate for name, candidate in state.ahead if name == quantity), None)
        if kept is None:
            return state, [*self._present(state)]
        state = replace(state, ahead=tuple((n, c) for n, c in state.ahead if n != quantity))
        return self._weigh(state, kept, kept.why)

    def _back_to_the_step(self, state: State) -> Turn:
        """Back from an aside: to the question if it was put already, else to the warnings that come first."""
        if not state.asked:
            return self._open(state, state.step)
        state = replace(state, phase=Phase.ASKING)
        return state, self._present(state)

    def _unfit(self, site: Site, step: Step) -> str:
        """Why a step may not be worked as power and gas are; empty when it may."""
        for what, allowed, actual in (("power", step.power, site.power), ("gas", step.gas, site.gas)):
            if allowed and actual not in allowed:
                return f"{step.title.capitalize()} needs the {what} {' or '.join(allowed)}. It is {actual}."
        return ""

    def _hazards(self, step: Step) -> list[Effect]:
        return [effect for name in step.hazards for effect in _say(self.rules.hazards[name].say, "hazard")]

    def _has_danger(self, step: Step) -> bool:
        return any(self.rules.hazards[name].level == "danger" for name in step.hazards)

    def _leave(self, state: State, outcome: str, effects: list[Effect]) -> Turn:
        """Leaves the step by its outcome, and opens the next one."""
        step = self.rules.procedure.step(state.step)
        site = after_step(state.site, step, outcome)
        if site != state.site:
            effects = [*effects, Note("site", {"power": site.power, "gas": site.gas, "step": step.id})]
        state = replace(state, site=site, path=(*state.path, step.id))
        turn, more = self._open(state, self.rules.procedure.after(step, outcome))
        return turn, [*effects, *more]

    def _present(self, state: State) -> list[Effect]:
        """Says what is waited for."""
        step = self.rules.procedure.step(state.step)
        match state.phase:
            case Phase.ASKING if state.correcting:
                name = self.rules.quantities[state.correcting.quantity].spoken
                return _say(f"Say {name} again.")
            case Phase.ASKING:
                return _say(step.say)
            case Phase.WARNING:
                return _say("Say understood.")
            case Phase.CONFIRMING if state.candidate and state.candidate.command:
                return _say(f"Did you mean, {state.candidate.command.replace('-', ' ')}?")
            case Phase.CONFIRMING if state.candidate:
                return _say(f"I heard {self._read_back(state, state.candidate)}. Is that right?")
            case Phase.REASON:
                return _say("Why is it skipped? Say the reason.")
            case Phase.NOTING:
                return _say("Say the note.")
            case Phase.HOLDING:
                return _say("On hold. Say go on.")
            case Phase.EMERGENCY:
                return _say(wording.STAY_OUT, "alarm")
            case Phase.CLEARING:
                if state.candidate:
                    return _say("I kept the name. Is the area clear? Say yes or no.")
                return _say("Who says that the area is clear? Say your name.")
        return []

    def _close(self, state: State) -> Turn:
        state = replace(state, phase=Phase.CLOSED)
        summary = {
            "out_of_limits": [t.quantity for t in state.standing if t.verdict.accepted is False],
            "remarks": [list(remark) for remark in state.remarks],
            "not_checked": [{"step": s.step, "reason": s.reason} for s in state.skipped],
            "site": {"power": state.site.power, "gas": state.site.gas},
        }
        return state, [Note("closed", summary), *_say(wording.closing(state, self.rules))]

    # --- readings

    def _heard_reading(self, state: State, event: Said, meaning: Meaning) -> Turn:
        assert isinstance(meaning, Reading)
        candidate = _heard(event, meaning)
        return self._weigh(state, candidate, self._doubt(state, event, meaning))

    def _heard_readings(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """Readings by name: the one that is asked is weighed, the others are kept until they are asked."""
        assert isinstance(meaning, Readings)
        asked = self.question(state).quantity
        effects: list[Effect] = []
        mine: Reading | None = None
        for name, reading in meaning.entries:
            spoken = self.rules.quantities[name].spoken
            if isinstance(reading, Unclear):
                effects += _say(f"{spoken}: {wording.unclear(reading)}")
            elif asked and name == asked.name:
                mine = reading
            elif unfit := self._no_place_for(state, name):
                effects += _say(f"{spoken} is not kept. {unfit}")
            else:
                kept = replace(_heard(event, reading), why="said ahead")
                state = replace(state, ahead=(*((n, c) for n, c in state.ahead if n != name), (name, kept)))
                body = {"quantity": name, "value": _plain(kept.value), "unit": kept.unit, "speaker": state.speaker}
                effects += [Note("kept", body), *_say(f"Kept for later, {spoken}.")]
        if mine is None:
            return state, [*effects, *self._present(state)]
        turn, more = self._heard_reading(state, event, mine)
        return turn, [*effects, *more]

    def _no_place_for(self, state: State, quantity: str) -> str:
        """Why a reading that is not asked now cannot be kept; empty when a later step asks it as things are."""
        procedure = self.rules.procedure
        later = [s for s in procedure.steps[procedure.number(state.step) :] if s.quantity == quantity]
        if not later:
            return "It is not asked in what follows."
        return self._unfit(state.site, later[0])

    def _weigh(self, state: State, candidate: Candidate, doubt: str) -> Turn:
        """Takes a reading at its read-back, or asks for a yes where it matters (decision 3)."""
        taken = self._judge(state, candidate)
        emergency = self._emergency_from(taken)
        why = doubt or ("" if taken.verdict.outcome in ("pass", "noted", "cannot-judge") else taken.verdict.outcome)
        if not why and not emergency:
            return self._take(state, taken)
        candidate = replace(candidate, why=why or "emergency")
        state = replace(state, phase=Phase.CONFIRMING, candidate=candidate, failures=0)
        note = Note("heard-reading", {**_reading_body(taken), "asked_because": candidate.why})
        leave = "If so, leave now. " if emergency else ""
        return state, [note, *_say(f"I heard {self._read_back(state, candidate)}. {leave}Is that right?")]

    def _doubt(self, state: State, event: Said, meaning: Reading) -> str:
        """Why the words, or the last visit, call for a yes; empty when they do not."""
        question = self.question(state)
        confirm: Confirm | None = self.language.confirm(event.heard.text, meaning, question)
        if confirm:
            return confirm
        mine = self._judge(state, Candidate("", meaning.value, meaning.unit)).verdict.outcome
        for rival in self.language.rivals(event.heard, meaning, question, state.refused):
            if not isinstance(rival, Reading):
                return rival.detail if isinstance(rival, Unclear) else "alternative"
            if self._judge(state, Candidate("", rival.value, rival.unit)).verdict.outcome != mine:
                return "alternative"
        return "far from the last visit" if self._far(state, meaning) else ""

    def _far(self, state: State, meaning: Reading) -> bool:
        """Whether a reading is over three times the last visit's, or under a third (common practice)."""
        taken = self._judge(state, Candidate("", meaning.value, meaning.unit))
        before = self.rules.job.previous.get(taken.quantity)
        if not before or not isinstance(taken.judged, Decimal):
            return False
        ratio = taken.judged / before
        return ratio > FAR or ratio < 1 / FAR

    def _read_back(self, state: State, candidate: Candidate) -> str:
        """What was heard; a value in another unit than asked also in that one."""
        said = wording.read_back(candidate)
        if isinstance(candidate.value, Decimal):
            asked = self.rules.quantities[self._asked_quantity(state)].unit
            if candidate.unit != asked:
                converted = units.round_significant(units.convert(candidate.value, candidate.unit, asked), 3)
                said += f", that is {spoken_value(converted, asked)}"
        return said

    def _asked_quantity(self, state: State) -> str:
        """The quantity that an answer is for: that of the reading taken back, or of the step."""
        name = state.correcting.quantity if state.correcting else self.rules.procedure.step(state.step).quantity
        assert name is not None
        return name

    def _judge(self, state: State, candidate: Candidate) -> Taken:
        """The reading as it would be taken: lead resistance off, converted, judged with the meter's accuracy."""
        step = self.rules.procedure.step(state.correcting.step if state.correcting else state.step)
        name = self._asked_quantity(state)
        assert candidate.value is not None
        quantity = self.rules.quantities[name]
        meter = self.rules.job.meter_for(name)
        if candidate.upper is not None:
            # Of a reading that was not steady the end nearer failure counts.
            ends = [
                self._judge(state, replace(candidate, value=v, upper=None)) for v in (candidate.value, candidate.upper)
            ]
            worse = max(ends, key=lambda end: _RANK.index(end.verdict.outcome))
            return replace(worse, value=candidate.value, upper=candidate.upper)
        value: Value = candidate.value
        uncertainty: Decimal | None = None
        if isinstance(value, Decimal):
            said = value
            value = units.convert(said, candidate.unit, quantity.unit)
            if meter and meter.lead_zero and units.same_dimension(quantity.unit, "ohm"):
                value -= units.convert(meter.lead_zero, "ohm", quantity.unit)
            accuracy = meter.accuracy if meter else None
            if accuracy and units.same_dimension(accuracy.unit, candidate.unit):
                spread = accuracy.expanded_uncertainty(abs(units.convert(said, candidate.unit, accuracy.unit)))
                uncertainty = units.convert(spread, _difference(accuracy.unit), _difference(quantity.unit))
        limit = limit_for(name, self.rules.limits, self.rules.job)
        return Taken(
            step=step.id,
            quantity=name,
            value=candidate.value,
            unit=candidate.unit,
            judged=value,
            verdict=judge(value, limit, uncertainty),
            words=candidate.words,
            speaker=state.speaker,
            stage=step.stage,
            approximate=candidate.approximate,
        )

    def _emergency_from(self, taken: Taken) -> bool:
        rule = self.rules.limits.get(taken.quantity)
        if rule is None or rule.emergency_from is None:
            return False
        return taken.judged is Overload.OVER_RANGE or (
            isinstance(taken.judged, Decimal) and taken.judged >= rule.emergency_from
        )

    def _take(self, state: State, taken: Taken, confirmed: bool = False) -> Turn:
        read_back = "Taken." if confirmed else f"I have {self._read_back(state, _candidate(taken))}."
        correcting = state.correcting
        state = replace(
            state,
            phase=Phase.ASKING,
            candidate=None,
            correcting=None,
            refused=(),
            failures=0,
            readings=(*state.readings, taken),
            speaker="technician",
        )
        # A value that was just confirmed is not read back a third time.
        said = f"{read_back} {wording.verdict(taken.verdict, taken.judged)}"
        effects: list[Effect] = [Note("reading", _reading_body(taken)), *_say(said, "answer")]
        if self._emergency_from(taken):
            alarm = wording.CO_ALARM if taken.quantity == "ambient-co" else wording.GAS_ALARM
            turn, more = self._emergency(state, f"{taken.quantity} {_plain(taken.value)}", alarm)
            return turn, [*effects, *more]
        step = self.rules.procedure.step(taken.step)
        outcomes = [taken.verdict.outcome]
        names = step.works_out
        if correcting:  # whatever rested on the reading that was taken back
            names = tuple(name for name, f in FINDINGS.items() if taken.quantity in f.inputs and self._had(state, name))
        for name in names:
            found = self._work_out(state, name, step.id)
            state = replace(state, findings=(*(f for f in state.findings if f.name != name), found))
            effects += [Note("finding", _finding_body(found)), *_say(wording.finding(found), "answer")]
            if found.verdict:
                outcomes.append(found.verdict.outcome)
        outcome = max(outcomes, key=_RANK.index)
        if correcting and correcting.step != state.step:
            return self._after_correction(state, correcting, step, outcome, effects)
        return self._leave(state, outcome, effects)

    def _had(self, state: State, finding: str) -> bool:
        return any(found.name == finding for found in state.findings)

    def _after_correction(self, state: State, old: Taken, step: Step, outcome: str, effects: list[Effect]) -> Turn:
        """After an earlier reading was corrected: on with the visit, or to where the new value leads."""
        procedure = self.rules.procedure
        was, now = procedure.after(step, old.verdict.outcome), procedure.after(step, outcome)
        if was != now:
            target = None if now in (END, EMERGENCY) else procedure.step(now)
            if target is None or not self._unfit(state.site, target):
                turn, more = self._open(state, now)
                return turn, [*effects, *more]
            effects += _say(f"That would lead to {target.title}. It needs other states of power and gas.")
        turn, more = self._back_to_the_step(state)
        return turn, [*effects, *more]

    def _work_out(self, state: State, name: str, step: str) -> Found:
        finding = FINDINGS[name]
        inputs: dict[str, Decimal] = {}
        for quantity in finding.inputs:
            taken = state.latest(quantity)
            if taken is None or not isinstance(taken.judged, Decimal):
                missing = self.rules.quantities[quantity].spoken
                return Found(name, step, None, finding.unit, None, f"There is no figure for {missing}.")
            inputs[quantity] = taken.judged
        try:
            value = finding.work_out(inputs, self.rules.job)
        except ValueError as wrong:
            return Found(name, step, None, finding.unit, None, str(wrong))
        return Found(
            name,
            step,
            value,
            finding.unit,
            judge(value, limit_for(name, self.rules.limits, self.rules.job), None),
        )

    # --- answers

    def _yes_no(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """Yes, no or done at a step that does not ask for a reading."""
        step = self.rules.procedure.step(state.step)
        answer = meaning.name if isinstance(meaning, Command) else ""
        if step.kind == "read" or state.correcting:
            return self._again(state, "I need the reading, or say skip.")
        if step.kind == "do":
            if answer == "no":
                return self._again(state, "Say done when it is done, or hold.")
            return self._leave(state, "done", [Note("done", {"step": step.id, "words": event.heard.text})])
        if answer == "next":
            return self._again(state, "Say yes or no.")
        if step.confirm and answer not in step.bad:
            candidate = Candidate(words=event.heard.text, answer=answer, audio=event.audio, why="always")
            state = replace(state, phase=Phase.CONFIRMING, candidate=candidate, failures=0)
            return state, _say(f"I heard {answer}, for {step.title}. Is that right?")
        return self._answered(state, answer, event.heard.text)

    def _answered(self, state: State, answer: str, words: str) -> Turn:
        step = self.rules.procedure.step(state.step)
        body = {"step": step.id, "answer": answer, "words": words}
        effects: list[Effect] = [Note("answer", body)]
        text = step.bad.get("yes" if answer == "yes" else "no")
        if text:
            state = replace(state, remarks=(*state.remarks, (step.id, text)))
            effects += [
                Note("remark", {"step": step.id, "text": text}),
                *_say(f"Recorded: {text}.", "answer"),
            ]
        return self._leave(state, answer, effects)

    def _confirmed(self, state: State, event: Said, meaning: Meaning) -> Turn:
        assert state.candidate is not None
        if state.candidate.command:
            command = Command(state.candidate.command)
            return self._dispatch(replace(state, phase=state.candidate.phase, candidate=None), event, command)
        if state.candidate.value is None:
            return self._answered(state, state.candidate.answer, state.candidate.words)
        return self._take(state, self._judge(state, state.candidate), confirmed=True)

    def _refused(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """No to what was heard: it is put aside, and a value is left out of the next try."""
        candidate = state.candidate
        assert candidate is not None
        if candidate.command:
            state = replace(state, phase=candidate.phase, candidate=None)
            return state, self._present(state)
        said = candidate.answer if candidate.value is None else _plain(candidate.value)
        refused = state.refused if candidate.value is None else (*state.refused, candidate.value)
        state = replace(state, phase=Phase.ASKING, candidate=None, refused=refused)
        note = Note("refused", {"step": state.step, "value": said})
        return state, [note, *_say("Not taken."), *self._present(state)]

    def _corrected(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """Takes back the last reading, at any later moment, and asks for it again."""
        if state.phase is Phase.CONFIRMING:
            return self._refused(state, event, meaning)
        if state.correcting:
            return state, self._present(state)
        last = next(iter(reversed(state.standing)), None)
        if last is None:
            return state, [*_say("There is no reading to take back."), *self._present(state)]
        readings = tuple(replace(t, withdrawn=True) if t is last else t for t in state.readings)
        state = replace(
            state,
            phase=Phase.ASKING,
            readings=readings,
            correcting=last,
            refused=(),
            candidate=None,
            failures=0,
        )
        name = self.rules.quantities[last.quantity].spoken
        note = Note("correction", {"step": last.step, "quantity": last.quantity, "withdrawn": _plain(last.value)})
        return state, [note, *_say(f"Taken back: {name}, {_said_value(last)}."), *self._present(state)]

    def _not_understood(self, state: State, event: Said, meaning: Meaning) -> Turn:
        assert isinstance(meaning, Unclear)
        failures = state.failures + 1
        if state.phase is Phase.CONFIRMING:
            said = "Say yes or no."
        else:
            said = wording.unclear(meaning)
            if failures == 2 and self.question(state).quantity:
                said += f" {wording.HELP_AFTER_TWO}"
            elif failures > 2:
                said += f" {wording.HELP_AFTER_THREE}"
        note = Note("unclear", {"step": state.step, "reason": meaning.reason, "choices": list(meaning.choices)})
        if meaning.near and state.phase is not Phase.CONFIRMING:
            candidate = Candidate(event.heard.text, command=meaning.near, phase=state.phase)
            state = replace(state, phase=Phase.CONFIRMING, candidate=candidate)
            return state, [note, *self._present(state)]
        state = replace(state, failures=failures)
        asks = meaning.reason == "ambiguous"  # the choices are the question
        return state, [note, *_say(said), *([] if asks else self._present(state))]

    def _again(self, state: State, said: str) -> Turn:
        return state, _say(said)

    def _not_here(self, state: State, event: Said, meaning: Meaning) -> Turn:
        return state, [*_say("That is not an answer here."), *self._present(state)]

    def _understood(self, state: State, event: Said, meaning: Meaning) -> Turn:
        step = self.rules.procedure.step(state.step)
        if not state.warned:
            return self._open(state, state.step)
        turn, effects = self._ask(state)
        return turn, [Note("understood", {"step": step.id, "hazards": list(step.hazards)}), *effects]

    # --- commands

    def _say_again(self, state: State, event: Said, meaning: Meaning) -> Turn:
        return state, [*(state.said or self._present(state))]

    def _go_back(self, state: State, event: Said, meaning: Meaning) -> Turn:
        if not state.path:
            return state, [*_say("This is the first step."), *self._present(state)]
        step = self.rules.procedure.step(state.path[-1])
        unfit = self._unfit(state.site, step)
        if unfit:
            return state, [*_say(f"I cannot go back. {unfit}"), *self._present(state)]
        state = replace(state, path=state.path[:-1])
        turn, effects = self._open(state, step.id)
        return turn, [Note("go-back", {"to": step.id}), *effects]

    def _hold(self, state: State, event: Said, meaning: Meaning) -> Turn:
        return self._held(state, "hold", "On hold. Say go on.")

    def _stop(self, state: State, event: Said, meaning: Meaning) -> Turn:
        if state.phase in (Phase.EMERGENCY, Phase.CLEARING):
            return state, _say(wording.STAY_OUT, "alarm")
        return self._held(state, "stop", "Stopped. Hands out. Say go on when you are ready.")

    def _held(self, state: State, kind: str, said: str) -> Turn:
        back = state.back_to if state.phase is Phase.HOLDING else state.phase
        state = replace(state, phase=Phase.HOLDING, back_to=back)
        return state, [Note(kind, {"step": state.step}), *_say(said)]

    def _go_on(self, state: State, event: Said, meaning: Meaning) -> Turn:
        note = Note("go-on", {"step": state.step})
        if state.back_to in (Phase.WARNING, Phase.ASKING) and not state.correcting:
            # Whatever stopped the visit, the warnings of the step are voiced again before the hand goes in.
            turn, effects = self._open(state, state.step)
            return turn, [note, *effects]
        state = replace(state, phase=state.back_to)
        return state, [note, *self._present(state)]

    def _skip(self, state: State, event: Said, meaning: Meaning) -> Turn:
        step = self.rules.procedure.step(state.step)
        if state.correcting:
            state, note = self._given_up(replace(state, candidate=None))
            turn, effects = self._back_to_the_step(state)
            return turn, [*note, *_say("The reading stays taken back.", "answer"), *effects]
        if not step.skippable:
            return state, [
                *_say("This step cannot be skipped. It makes the next ones safe."),
                *self._present(state),
            ]
        state = replace(state, phase=Phase.REASON, candidate=None)
        return state, self._present(state)

    def _given_up(self, state: State) -> tuple[State, list[Effect]]:
        """A reading that was taken back and is not read again is a step that was not checked."""
        if state.correcting is None:
            return state, []
        left = Skipped(state.correcting.step, "taken back and not read again")
        state = replace(state, correcting=None, skipped=(*state.skipped, left))
        return state, [Note("skipped", {"step": left.step, "reason": left.reason, "audio": ""})]

    def _reason(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """Whatever is said now is the reason; its recording is kept, and the words if they are known."""
        if meaning in (Command("no"), Command("go-back"), Command("correction")):
            turn, effects = self._back_to_the_step(state)
            return turn, [*_say("Not skipped."), *effects]
        if meaning in (Command("say-again"), Command("hold"), Command("how-far"), Unclear("silence")):
            return EVERYWHERE.get(getattr(meaning, "name", ""), Dialogue._not_here)(self, state, event, meaning)
        reason = self.language.reason(event.heard.text) or "as recorded"
        skipped = Skipped(state.step, reason, event.audio)
        state = replace(state, skipped=(*state.skipped, skipped), phase=Phase.ASKING)
        note = Note("skipped", {"step": state.step, "reason": reason, "audio": event.audio})
        return self._leave(state, "skip", [note, *_say(f"Skipped, {reason}.", "answer")])

    def _note(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """ "Note" alone waits for the note; with words after it, it is the note."""
        if normalise(event.heard.text) in (*NOTE_FIRST, ("note", "that")):
            state = replace(state, phase=Phase.NOTING, back_to=state.phase)
            return state, self._present(state)
        return self._noted(replace(state, back_to=state.phase), event, meaning)

    def _noted(self, state: State, event: Said, meaning: Meaning) -> Turn:
        note = Note("note", {"step": state.step, "audio": event.audio, "words": event.heard.text})
        state = replace(state, phase=state.back_to)
        return state, [note, *_say("Noted.", "answer"), *self._present(state)]

    def _limit(self, state: State, event: Said, meaning: Meaning) -> Turn:
        asked = self.question(replace(state, phase=Phase.ASKING)).quantity
        last = next(iter(reversed(state.standing)), None)
        name = asked.name if asked else last.quantity if last else None
        if name is None:
            return state, [*_say("No reading has a limit here."), *self._present(state)]
        rule = limit_for(name, self.rules.limits, self.rules.job)
        return state, [*_say(wording.limit(rule), "answer"), *self._present(state)]

    def _how_far(self, state: State, event: Said, meaning: Meaning) -> Turn:
        return state, [*_say(wording.how_far(state, self.rules), "answer"), *self._present(state)]

    def _mark(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """At a time that is asked, the first mark starts the stopwatch and the second reads it."""
        asked = self.question(state).quantity
        if asked is None or not units.same_dimension(asked.unit, "second"):
            return state, [*_say("No time is asked here."), *self._present(state)]
        if state.timer_from_s is None:
            state = replace(state, timer_from_s=event.at_s)
            return state, [Note("mark", {"step": state.step, "at_s": event.at_s}), *_say("Marked.")]
        seconds = Decimal(str(round(event.at_s - state.timer_from_s, 1)))
        state = replace(state, timer_from_s=None)
        note = Note("mark", {"step": state.step, "at_s": event.at_s})
        candidate = Candidate(event.heard.text, seconds, "second", timed=True, audio=event.audio)
        turn, effects = self._weigh(state, candidate, "")
        return turn, [note, *effects]

    def _helper(self, state: State, event: Said, meaning: Meaning) -> Turn:
        state = replace(state, speaker="helper")
        return state, [Note("speaker", {"speaker": "helper"}), *_say("Helper, go ahead.")]

    # --- emergency

    def _emergency_words(self, state: State, event: Said, meaning: Meaning) -> Turn:
        return self._emergency(state, event.heard.text, wording.GAS_ALARM)

    def _emergency(self, state: State, why: str, alarm: str) -> Turn:
        state, given_up = self._given_up(state)
        state = replace(
            state,
            phase=Phase.EMERGENCY,
            site=Site(),
            candidate=None,
            ahead=(),  # said of an appliance whose state is no longer known
            correcting=None,
            timer_from_s=None,
            failures=0,
        )
        return state, [*given_up, Note("emergency", {"why": why, "step": state.step}), *_say(alarm, "alarm")]

    def _stay_out(self, state: State, event: Said, meaning: Meaning) -> Turn:
        return state, _say(wording.STAY_OUT, "alarm")

    def _area_clear(self, state: State, event: Said, meaning: Meaning) -> Turn:
        state = replace(state, phase=Phase.CLEARING, candidate=None)
        return state, [Note("area-clear-said", {"audio": event.audio}), *self._present(state)]

    def _named(self, state: State, event: Said, meaning: Meaning) -> Turn:
        """The name of whoever says that the area is clear is kept as a recording; then a yes is needed."""
        if state.candidate is None:
            if meaning == Unclear("silence"):
                return state, self._present(state)
            note = Note("cleared-by", {"audio": event.audio, "words": event.heard.text})
            state = replace(state, candidate=Candidate(words=event.heard.text, audio=event.audio))
            return state, [note, *self._present(state)]
        if meaning == Command("yes"):
            first = self.rules.procedure.steps[0].id
            turn, effects = self._open(replace(state, path=(), site=Site()), first)
            clear = Note("area-clear", {"audio": state.candidate.audio})
            return turn, [clear, *_say("The visit starts again from the arrival checks."), *effects]
        state = replace(state, phase=Phase.EMERGENCY, candidate=None)
        return state, _say(wording.STAY_OUT, "alarm")

    def _closed(self, state: State, event: Said, meaning: Meaning) -> Turn:
        return state, []


def _say(text: str, manner: Manner = "prompt") -> list[Effect]:
    return [Say(sentence.strip(), manner) for sentence in wording.sentences(text)]


def _plain(value: Value | None) -> str:
    return value.value if isinstance(value, Overload) else f"{value:f}" if value is not None else ""


def _said_value(taken: Taken) -> str:
    return wording.read_back(_candidate(taken))


def _heard(event: Said, reading: Reading) -> Candidate:
    return Candidate(
        words=event.heard.text,
        value=reading.value,
        unit=reading.unit,
        approximate=reading.approximate,
        upper=reading.upper,
        audio=event.audio,
    )


def _candidate(taken: Taken) -> Candidate:
    return Candidate("", taken.value, taken.unit, approximate=taken.approximate, upper=taken.upper)


def _difference(unit: str) -> str:
    """The unit of a spread of values in `unit`: of temperatures it is a difference."""
    return f"delta_{unit}" if unit in ("degF", "degC") else unit


def _reading_body(taken: Taken) -> dict[str, object]:
    return {
        "step": taken.step,
        "quantity": taken.quantity,
        "value": _plain(taken.value),
        "unit": taken.unit,
        "judged": _plain(taken.judged),
        "approximate": taken.approximate,
        **({"upper": _plain(taken.upper), "steady": False} if taken.upper is not None else {}),
        "words": taken.words,
        "speaker": taken.speaker,
        "stage": taken.stage,
        **_verdict_body(taken.verdict),
    }


def _finding_body(found: Found) -> dict[str, object]:
    body: dict[str, object] = {
        "finding": found.name,
        "step": found.step,
        "unit": found.unit,
        "problem": found.problem,
    }
    if found.value is not None:
        body["value"] = f"{found.value:f}"
    if FINDINGS[found.name].assumption:
        body["assumption"] = FINDINGS[found.name].assumption
    return {**body, **(_verdict_body(found.verdict) if found.verdict else {})}


def _verdict_body(verdict: Verdict) -> dict[str, object]:
    limit = verdict.limit
    return {
        "verdict": verdict.outcome,
        "reason": verdict.reason,
        "decision_rule": verdict.decision_rule,
        "expanded_uncertainty": None if verdict.expanded_uncertainty is None else f"{verdict.expanded_uncertainty:f}",
        "limit": limit.model_dump(mode="json", exclude_defaults=True) if limit else None,
    }


Handler = Callable[[Dialogue, State, Said, Meaning], Turn]

EVERYWHERE: dict[str, Handler] = {
    "emergency": Dialogue._emergency_words,
    "stop": Dialogue._stop,
    "hold": Dialogue._hold,
    "say-again": Dialogue._say_again,
    "how-far": Dialogue._how_far,
    "limit": Dialogue._limit,
    "note": Dialogue._note,
    "correction": Dialogue._corrected,
    "unclear": Dialogue._not_understood,
}
"""What works in every phase that does not say otherwise; stop and emergency even then."""

TRANSITIONS: dict[Phase, dict[str, Handler]] = {
    Phase.WARNING: {
        "understood": Dialogue._understood,
        "go-back": Dialogue._go_back,
        "skip": Dialogue._skip,
        "helper": Dialogue._helper,
    },
    Phase.ASKING: {
        "reading": Dialogue._heard_reading,
        "readings": Dialogue._heard_readings,
        "yes": Dialogue._yes_no,
        "no": Dialogue._yes_no,
        "next": Dialogue._yes_no,
        "go-back": Dialogue._go_back,
        "skip": Dialogue._skip,
        "mark": Dialogue._mark,
        "helper": Dialogue._helper,
    },
    Phase.CONFIRMING: {"yes": Dialogue._confirmed, "no": Dialogue._refused, "skip": Dialogue._skip},
    Phase.REASON: {"anything": Dialogue._reason},
    Phase.NOTING: {"anything": Dialogue._noted},
    Phase.HOLDING: {
        "go-on": Dialogue._go_on,
        "note": Dialogue._note,
        "say-again": Dialogue._say_again,
        "how-far": Dialogue._how_far,
        "anything": Dialogue._hold,
    },
    Phase.EMERGENCY: {"area-clear": Dialogue._area_clear, "anything": Dialogue._stay_out},
    Phase.CLEARING: {"anything": Dialogue._named},
    Phase.CLOSED: {"anything": Dialogue._closed},
}
"""Phase -> what was said (a command, "reading", "unclear", or "anything" else) -> what it does."""
