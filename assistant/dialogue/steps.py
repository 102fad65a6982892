"""The walk through the steps: opening one, taking its answer, leaving it by its outcome."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from assistant.dialogue import gate
from assistant.dialogue.bodies import finding_body, reading_body
from assistant.dialogue.comparing import FAR_FROM_LAST, compared, last_time
from assistant.dialogue.context import Context, Turn, alarm, say, then
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import IN_NOISE
from assistant.dialogue.figures import (
    calls_for_leaving,
    findings,
    judge_reading,
    read_back,
    times_of,
    worst_of_times,
)
from assistant.dialogue.ranking import next_of
from assistant.dialogue.state import (
    Acknowledged,
    Answer,
    Bar,
    Candidate,
    Confirming,
    Deciding,
    Fact,
    Found,
    Hand,
    HeardAnswer,
    HeardList,
    Holding,
    Phase,
    Repaired,
    RepairHeard,
    Skipped,
    State,
    Taken,
    Timed,
    Timer,
    Warned,
    Working,
    handed,
)
from assistant.dialogue.summary import summary_of
from assistant.language.meaning import value_text
from assistant.trade.computations import CLOCKED, CLOCKED_BY, FINDINGS
from assistant.trade.judging import RANK
from assistant.trade.limits import EmergencyKind
from assistant.trade.procedures import EMERGENCY, END, Repair, Step, after_step, left_out
from assistant.trade.procedures import State as Site
from assistant.wording import english as wording

CONFIRMED = "confirmed"
"""Of a reading that was said ahead: it was read back, and answered with yes."""


def open_step(dialogue: Context, state: State, step_id: str) -> Turn:
    """Comes to a step; the state of power and gas must allow it."""
    if state.hand.correcting:
        state, notes = given_up(state)
        return then(notes, open_step(dialogue, state, step_id))
    timers = tuple(timer for timer in state.timers if timer.step in ("", step_id))
    state = replace(state, hand=Hand(), failures=0, timers=timers)
    if step_id == END:
        return _end(dialogue, state)
    if step_id == EMERGENCY:
        return emergency(dialogue, state, wording.SMELL_OF_GAS, "gas")
    step = dialogue.rules.procedure.step(step_id)
    state = replace(state, step=step_id)
    if step_id in state.stands:  # once: where the procedure comes back to it, it is asked
        state = replace(state, stands=tuple(s for s in state.stands if s != step_id))
        note = Note("stands", {"step": step_id, "outcome": state.outcome(step_id)})
        return then([note], go_to(dialogue, state, dialogue.rules.procedure.after(step, state.outcome(step_id))))
    if first := gate.first_of_all(dialogue.rules, state, step):
        state = replace(state, resume_at=state.resume_at or step.id)
        return then([Note("put-off", {"step": step.id, "for": first.id})], open_step(dialogue, state, first.id))
    if step_id == state.resume_at:
        state = replace(state, resume_at="")
    if reason := left_out(step, dialogue.rules.job) or _never_after(dialogue, state, step):
        state = left_with(replace(state, skipped=(*state.skipped, Skipped(step.id, reason))), step.id, "skip")
        note = Note("left-out", {"step": step.id, "reason": reason})
        return then([note], go_to(dialogue, state, dialogue.rules.procedure.after(step, "skip")))
    if bar := gate.barred(dialogue.rules, state, step):
        return barred(dialogue, state, bar)
    unfit = dialogue.unfit(state.site, step)
    if unfit:
        state = replace(state, at=Holding(Phase.ASKING))
        return state, [
            Note("not-opened", {"step": step.id, "reason": unfit}),
            *say(wording.MAKE_IT_SAFE.format(why=unfit)),
        ]
    if step.hazards:
        wait = say(wording.SAY_UNDERSTOOD) if dialogue.has_danger(state, step) else []
        return replace(state, at=Warned()), [*dialogue.hazards(state, step), *wait]
    return ask(dialogue, state)


def _never_after(dialogue: Context, state: State, step: Step) -> str:
    """Why a step is not worked after what was found or told; empty where it is."""
    if not step.never_after:
        return ""
    found = [answer.text for answer in state.remarks if answer.step in step.never_after]
    symptoms = dialogue.rules.faults.symptoms
    told = [name for name in state.told if name in symptoms and symptoms[name].never_run_as_found]
    return next((wording.CAME_AFTER.format(why=why) for why in (*found, *told)), "")


def barred(dialogue: Context, state: State, bar: Bar) -> Turn:
    """A step that opens the gas, lights or runs is not opened: while it burns the appliance is shut down at once, else
    a repair or the shut-down is waited for."""
    step = dialogue.rules.procedure.step(state.step)
    act = step.act or "running"
    note = Note("barred", {"step": step.id, "forbids": act, "because": wording.barred_by(dialogue.rules, bar)})
    told = say(wording.barred(dialogue.rules, bar, act, gate.open_checks(dialogue.rules, state, bar)), "answer")
    down = dialogue.rules.procedure.way_down(state.site)
    if state.burning and down:
        return then([note, *told], open_step(dialogue, replace(state, resume_at=""), down))
    return presented(dialogue, replace(state, at=Phase.BARRED), [note, *told])


def acknowledged(state: State, step: Step) -> State:
    """The warnings of a step were voiced to their end and, where they must be, understood: those of a step that changes
    power or gas, for the states that it makes, too."""
    sites = {state.site: None, after_step(state.site, step, "done"): None}
    old = (each for each in state.warned_of if each.hazard not in step.hazards or each.site not in sites)
    new = (Acknowledged(name, site, step.id) for site in sites for name in step.hazards)
    return replace(state, warned_of=(*old, *new))


def ask(dialogue: Context, state: State) -> Turn:
    """Puts the step's question; a reading that was said ahead of it is read back instead, and a step of a list that is
    all good is left."""
    state = _with_its_wait(dialogue, replace(handed(state, asked=True), at=Phase.ASKING, failures=0))
    step = dialogue.rules.procedure.step(state.step)
    if step.id in state.all_good:
        state = replace(state, all_good=tuple(each for each in state.all_good if each != step.id))
        return answered(dialogue, state, step.good, wording.ALL_GOOD)
    state = handed(state, looks=_looks(dialogue, state, step))
    quantity = step.quantity
    kept = state.ahead.get(quantity or "")
    if kept is None:
        return presented(dialogue, state)
    state = replace(state, ahead={name: of for name, of in state.ahead.items() if name != quantity})
    if kept.why == CONFIRMED:
        return take(dialogue, state, judge_reading(dialogue, state, kept))
    return weigh(dialogue, state, kept, kept.why)


def take_list(dialogue: Context, state: State, heard: HeardList) -> Turn:
    """Takes what was said by name and confirmed: what is asked now, and the rest at its own step, unasked."""
    asked, state = dialogue.asked(state), replace(state, at=Phase.ASKING)
    effects: list[Effect] = []
    mine: Candidate | None = None
    for name, each in heard.entries:
        if name == asked:
            mine = each
            continue
        kept = replace(each, why=CONFIRMED)
        state = replace(state, ahead={**state.ahead, name: kept})
        body = {"quantity": name, "value": value_text(kept.value), "unit": kept.unit, "speaker": state.speaker}
        effects.append(Note("kept", body))
    if mine is None:
        return presented(dialogue, replace(state, speaker="technician"), [*effects, *say(wording.TAKEN)])
    return then(effects, take(dialogue, state, judge_reading(dialogue, state, mine), confirmed=True))


def _looks(dialogue: Context, state: State, step: Step) -> tuple[str, ...]:
    """The steps that are one look at one place, from this one on: in the brief talk they are asked as one list."""
    procedure, looks = dialogue.rules.procedure, [step]
    if not (state.is_brief and step.look):
        return ()
    while procedure.has(follows := procedure.after(looks[-1], looks[-1].good)):
        each = procedure.step(follows)
        passed_over = each.id in state.stands or left_out(each, dialogue.rules.job) or procedure.run(each.id)
        if each.look != step.look or each.hazards or passed_over:
            break
        looks.append(each)
    return tuple(each.id for each in looks) if len(looks) > 1 else ()


def answered(dialogue: Context, state: State, answer: str, words: str) -> Turn:
    """Takes a yes or no; the bad one is a remark for the end."""
    correcting = state.hand.correcting
    step = dialogue.answering(state)
    effects: list[Effect] = [Note("answer", {"step": step.id, "answer": answer, "words": words})]
    text = step.bad.get("yes" if answer == "yes" else "no", "")
    after = correcting.after if correcting else len(state.repairs)
    made = Answer(step.id, answer, text, after=after)
    state = replace(handed(state, correcting=None), at=Phase.ASKING, failures=0, facts=(*state.facts, made))
    if text:
        effects += [Note("remark", {"step": step.id, "text": text}), *say(wording.RECORDED.format(what=text), "answer")]
    if correcting and correcting.step != state.step:
        return after_correction(dialogue, state, correcting, step, answer, effects)
    return leave(dialogue, state, answer, effects)


def _with_its_wait(dialogue: Context, state: State) -> State:
    """With the timer of the wait that the step asks for; where its beginning is not known, it counts from now."""
    wait = dialogue.rules.procedure.step(state.step).wait
    if wait is None or any(timer.step == state.step for timer in state.timers):
        return state
    began = max((at_s for step, at_s in state.left_at.items() if step in wait.since), default=None)
    return replace(state, timers=(*state.timers, Timer(wait.seconds, began, step=state.step)))


def back_to_the_step(dialogue: Context, state: State) -> Turn:
    """Back from an aside: to the question if it was put already, else to the warnings that come first."""
    step = dialogue.rules.procedure.step(state.step)
    # What was corrected meanwhile may forbid the step that was open.
    if not state.hand.asked or gate.barred(dialogue.rules, state, step):
        return open_step(dialogue, state, state.step)
    return presented(dialogue, replace(state, at=Phase.ASKING))


def leave(dialogue: Context, state: State, outcome: str, effects: list[Effect]) -> Turn:
    """Leaves the step by its outcome, and opens the next one."""
    step = dialogue.rules.procedure.step(state.step)
    site = after_step(state.site, step, outcome)
    if site != state.site:
        effects = [*effects, Note("site", {"power": site.power, "gas": site.gas, "step": step.id})]
    if outcome != "skip":
        effects = [*effects, *_too_early(state)]
    left_at = {**state.left_at, step.id: state.now_s}
    state = left_with(replace(state, site=site, path=(*state.path, step.id), left_at=left_at), step.id, outcome)
    state = gate.lit(state, step)
    if step.mends and outcome == step.good:
        state, made = repaired(dialogue, state, RepairHeard(step.mends, "", ""))
        effects = [*effects, made]
    return then(effects, go_to(dialogue, state, _after(dialogue, state, step, outcome)))


def _after(dialogue: Context, state: State, step: Step, outcome: str) -> str:
    """Where a step leads: after what was measured first for a repair, back to what was put off for it."""
    procedure = dialogue.rules.procedure
    follows = procedure.after(step, outcome)
    if not state.resume_at or not (procedure.has(follows) and procedure.number(follows) > procedure.number(step.id)):
        return follows
    waits = procedure.step(state.resume_at)
    if procedure.number(step.id) < procedure.number(waits.id):  # it is on the way
        return follows
    if gate.first_of_all(dialogue.rules, state, waits) or gate.forbidding(dialogue.rules, state, "running"):
        return follows
    if not dialogue.unfit(state.site, waits):
        return waits.id if state.burning else follows
    # The gas is shut again: the control is reset, and it is opened and lit once more for what was put off.
    steps = enumerate(procedure.steps)
    at = min(at for at, each in steps if each.of_kind.by_hand and each.opens_gas)
    while at and (procedure.steps[at - 1].power, procedure.steps[at - 1].gas) == (("live",), ("shut",)):
        before = procedure.steps[at - 1]
        if not before.of_kind.by_hand and "low-gas-check" not in before.proves:
            break
        at -= 1
    return procedure.steps[at].id if not dialogue.unfit(state.site, procedure.steps[at]) else follows


def touched(dialogue: Context, of: Repair) -> tuple[set[str], set[str]]:
    """The steps whose answers a repair voids, and the findings."""
    procedure = dialogue.rules.procedure
    voids = set(of.voids)
    findings = {name for name, finding in FINDINGS.items() if voids & set(finding.readings)}
    steps = {
        step.id
        for step in procedure.steps
        if step.id in voids or voids & set(step.quantities) or findings & set(step.works_out)
    }
    return steps, findings


def repaired(dialogue: Context, state: State, made: RepairHeard, restart: str = "") -> tuple[State, Note]:
    """The repair recorded, and what it touches voided: it stays in the record as found, and is asked again.

    restart: the step from which the visit is walked again; empty where it goes on as it was.
    """
    procedure = dialogue.rules.procedure
    of = procedure.repairs[made.name]
    steps, findings = touched(dialogue, of)
    voided = tuple(step.id for step in procedure.steps if step.id in steps and state.outcome(step.id))
    number = len(state.repairs)

    def touches(fact: Fact) -> bool:
        if not fact.stands:
            return False
        if isinstance(fact, Found):
            return fact.name in findings
        return fact.step in steps or (isinstance(fact, Taken) and fact.quantity in of.voids)

    state = replace(
        state,
        facts=tuple(replace(fact, voided_by=number) if touches(fact) else fact for fact in state.facts),
        outcomes={step: outcome for step, outcome in state.outcomes.items() if step not in steps},
        repairs=(*state.repairs, Repaired(made.name, state.step, voided, made.audio)),
        lit=(),
    )
    body: dict[str, object] = {"repair": made.name, "say": of.say, "step": state.step, "voids": list(voided)}
    return state, Note("repair", {**body, "restart": restart, "words": made.words, "audio": made.audio})


def _too_early(state: State) -> list[Effect]:
    """Notes that the step was answered before the wait that it asks for was over."""
    left = [(timer, timer.left_s(state.now_s)) for timer in state.timers if timer.step == state.step and not timer.over]
    return [
        Note("not-waited", {"step": timer.step, "seconds": timer.seconds, "left_s": round(left_s, 1)})
        for timer, left_s in left
        if left_s > 0
    ]


def go_to(dialogue: Context, state: State, step_id: str) -> Turn:
    """Opens the step that the one in hand leads to; of a run, the step that tells most of the fault."""
    procedure = dialogue.rules.procedure
    if procedure.has(step_id):
        there = replace(handed(state, asked=False), step=step_id)
        if bar := gate.must_stop(dialogue.rules, there):
            return barred(dialogue, there, bar)
    run = procedure.run(state.step)
    if run:  # the one in hand is behind, and the rest of its run comes first
        state = replace(state, ran=(*state.ran, state.step))
    else:
        run = procedure.run(step_id)
        state = replace(state, ran=tuple(step for step in state.ran if all(step != of.id for of in run)))
    while run:
        again = [step for step in run if step.id in state.as_left and not state.outcome(step.id)]
        if again:  # a repair touched it: it is asked, whatever it tells of the fault
            return open_step(dialogue, state, again[0].id)
        chosen, why = next_of(dialogue, state, [step for step in run if step.id not in state.ran])
        if chosen:
            return then(why, open_step(dialogue, state, chosen.id))
        step_id = procedure.after_run(run)
        run = procedure.run(step_id)
        state = replace(state, ran=tuple(step for step in state.ran if all(step != of.id for of in run)))
    return open_step(dialogue, state, step_id)


def left_with(state: State, step: str, outcome: str) -> State:
    """The step was left with this outcome."""
    # A step that was skipped once and worked after all is checked.
    skipped = tuple(s for s in state.skipped if s.step != step or s.part or outcome == "skip")
    return replace(state, outcomes={**state.outcomes, step: outcome}, skipped=skipped)


def present(dialogue: Context, state: State) -> list[Effect]:
    """Says what is waited for."""
    step = dialogue.rules.procedure.step(state.step)
    match state.at:
        case Phase.ASKING:
            return say(_question(dialogue, state, step))
        case Working() as works:
            return say(wording.asked_to_work_out(works, dialogue.rules, state.hand.first_mark_s is not None))
        case Confirming(heard):
            return say(wording.is_it_right(_heard(dialogue, state, heard), state.is_brief))
        case Timed(marks):
            times = [wording.time_of(dialogue.rules, taken) for taken in times_of(dialogue, state, step, marks)]
            return say(wording.is_it_right(" ".join(times), state.is_brief))
        case Phase.EMERGENCY:
            return say(wording.STAY_OUT, "alarm")
    return say(wording.waits_for(state.at, state.site, dialogue.rules, state.is_brief))


def warnings(dialogue: Context, state: State) -> list[Effect]:
    """The warnings of what is asked, for whatever may have stopped the visit meanwhile: at the end, of shutting off."""
    if state.at is Phase.ASKING:
        return dialogue.hazards(state, dialogue.rules.procedure.step(state.step))
    of_the_end = dialogue.rules.procedure.shut_off if state.phase in (Phase.SHUTTING, Phase.SHUT) else ()
    known = dialogue.rules.hazards
    return [effect for name in of_the_end if name in known for effect in say(known[name].say, "hazard")]


def presented(dialogue: Context, state: State, effects: Sequence[Effect] = ()) -> Turn:
    """These effects, and then what the state waits for is said."""
    return state, [*effects, *present(dialogue, state)]


def _question(dialogue: Context, state: State, step: Step) -> str:
    """The question of the step, or of what is asked again or still to be told."""
    correcting, untold = state.hand.correcting, state.hand.untold
    if isinstance(correcting, Taken):
        return wording.ONCE_MORE.format(name=dialogue.rules.quantities[correcting.quantity].spoken)
    if correcting:
        return dialogue.prompt(state, dialogue.rules.procedure.step(correcting.step))
    if untold:
        return wording.UNTIMED.format(name=wording.capital(dialogue.rules.quantities[untold[0]].spoken))
    if state.counts_marks:
        return wording.next_mark(step, state.hand.marks)
    if state.hand.looks:
        return wording.looks([dialogue.rules.procedure.step(each) for each in state.hand.looks])
    prompt = dialogue.prompt(state, step)
    return wording.AS_LEFT.format(question=prompt) if step.id in state.as_left else prompt


def _end(dialogue: Context, state: State) -> Turn:
    """The last step is left: what was found is told, and the technician's decision asked."""
    state = replace(state, at=Deciding())
    summary = summary_of(state, dialogue.rules)
    told = say(wording.summary(summary, state.is_brief), "answer")
    relight = (
        say(wording.RELIGHT_BRIEF if state.is_brief else wording.RELIGHT, "answer") if _other_gas_was_off(state) else []
    )
    return presented(dialogue, state, [Note("summary", summary), *told, *relight])


def _other_gas_was_off(state: State) -> bool:
    """Whether the meter was clocked, at its step or beside it."""
    aside = any(isinstance(fact, Found) and fact.name == CLOCKED for fact in state.facts)
    return aside or any(taken.quantity == CLOCKED_BY for taken in state.readings)


def weigh(dialogue: Context, state: State, candidate: Candidate, doubt: str) -> Turn:
    """Takes a reading at its read-back, or asks for a yes where it matters (decision 3)."""
    taken = judge_reading(dialogue, state, candidate)
    must_leave = calls_for_leaving(dialogue, taken)
    why = doubt or ("" if taken.verdict.is_plain else taken.verdict.outcome)
    if not why and not must_leave:
        return take(dialogue, state, taken)
    candidate = replace(candidate, why=why or "emergency")
    state = replace(state, at=Confirming(candidate), failures=0)
    note = Note("heard-reading", {**reading_body(taken), "asked_because": candidate.why})
    heard = " ".join([_heard(dialogue, state, candidate), *([wording.IF_SO_LEAVE] if must_leave else [])])
    return state, [note, *say(wording.is_it_right(heard, state.is_brief and not must_leave))]


def _heard(dialogue: Context, state: State, candidate: Candidate | HeardAnswer | HeardList) -> str:
    """What was heard, and what it was last time where that is why it is asked."""
    if isinstance(candidate, HeardAnswer):
        return wording.I_HEARD.format(what=candidate.answer)
    if isinstance(candidate, HeardList):
        return wording.heard_list([(dialogue.rules.quantities[name].spoken, each) for name, each in candidate.entries])
    told = wording.I_HEARD
    if candidate.why == IN_NOISE:
        told = wording.IN_NOISE_BRIEF if state.is_brief else wording.IN_NOISE
    told = told.format(what=read_back(dialogue, state, candidate))
    name = dialogue.asked(state)
    return f"{told} {last_time(dialogue, name)}" if candidate.why == FAR_FROM_LAST and name else told


def take(dialogue: Context, state: State, taken: Taken, confirmed: bool = False) -> Turn:
    """Takes a reading into the visit, works out what it completes, and goes where it leads."""
    said = _taken(dialogue, state, taken, confirmed)
    correcting = state.hand.correcting
    before = findings(dialogue.rules, state)
    if correcting:  # it takes the place of the one that was taken back
        taken = replace(taken, after=correcting.after)
    state = replace(
        handed(state, correcting=None, refused=()),
        at=Phase.ASKING,
        failures=0,
        facts=(*state.facts, taken),
        speaker="technician",
    )
    effects: list[Effect] = [Note("reading", reading_body(taken)), *say(said, "answer")]
    if dialogue.rules.quantities[taken.quantity].trend:
        effects += compared(dialogue, step_id=taken.step, name=taken.quantity, value=taken.judged)
    if kind := calls_for_leaving(dialogue, taken):
        state = left_with(state, taken.step, taken.verdict.outcome)
        return then(effects, emergency(dialogue, state, f"{taken.quantity} {value_text(taken.value)}", kind))
    step = dialogue.rules.procedure.step(taken.step)
    outcomes: list[str] = [taken.verdict.outcome]
    for found in findings(dialogue.rules, state):
        if found.voided or (found in before and found.name not in step.works_out):
            continue
        effects += [Note("finding", finding_body(found)), *say(wording.finding(found, state.is_brief), "answer")]
        if FINDINGS[found.name].trend:
            effects += compared(dialogue, step_id=step.id, name=found.name, value=found.value)
        if found.verdict:
            outcomes.append(found.verdict.outcome)
    outcome = max(outcomes, key=RANK.index)
    if step.times:
        outcome = worst_of_times(state, step)
    if correcting and correcting.step != state.step:
        return after_correction(dialogue, state, correcting, step, outcome, effects)
    if state.hand.untold and not correcting:
        state = handed(state, untold=state.hand.untold[1:])
        if state.hand.untold:
            return presented(dialogue, state, effects)
    return leave(dialogue, state, outcome, effects)


def _taken(dialogue: Context, state: State, taken: Taken, confirmed: bool) -> str:
    """A reading's read-back and verdict. A value that was just confirmed is not read back a third time."""
    value = "" if confirmed else read_back(dialogue, state, taken)
    if state.is_brief:
        return wording.taken_briefly(value, taken, first=state.latest(taken.quantity) is None)
    told = wording.I_HAVE.format(what=value) if value else wording.TAKEN
    return f"{told} {wording.verdict(taken.verdict, taken.judged)}"


def after_correction(
    dialogue: Context, state: State, old: Taken | Answer, step: Step, outcome: str, effects: list[Effect]
) -> Turn:
    """After something earlier was corrected: on with the visit, or to where what was said now leads."""
    procedure = dialogue.rules.procedure
    left = old.verdict.outcome if isinstance(old, Taken) else old.answer
    was, now = procedure.after(step, state.outcome(step.id) or left), procedure.after(step, outcome)
    state = left_with(state, step.id, outcome)
    if was != now:
        target = None if now in (END, EMERGENCY) else procedure.step(now)
        if target is None or not dialogue.unfit(state.site, target):
            return then(effects, open_step(dialogue, state, now))
        effects += say(wording.WOULD_LEAD_TO.format(step=target.title))
    return then(effects, back_to_the_step(dialogue, state))


def given_up(state: State) -> tuple[State, list[Effect]]:
    """What was taken back and is not read or answered again is a step that was not checked."""
    if state.hand.correcting is None:
        return state, []
    state, note = skipped(state, Skipped(state.hand.correcting.step, wording.NOT_READ_AGAIN, part=True))
    return handed(state, correcting=None), [note]


def skipped(state: State, left: Skipped) -> tuple[State, Note]:
    """What was skipped is told at the end."""
    note = Note("skipped", {"step": left.step, "reason": left.reason, "audio": left.audio})
    return replace(state, skipped=(*state.skipped, left)), note


def emergency(dialogue: Context, state: State, why: str, kind: EmergencyKind) -> Turn:
    """Everybody out: nothing but "area clear" helps, and nothing is known of power and gas any more."""
    state, notes = given_up(state)
    state = replace(
        state,
        at=Phase.EMERGENCY,
        hand=Hand(),
        site=Site(),
        ahead={},  # said of an appliance whose state is no longer known
        timers=(),
        stopwatches={},
        left_at={},
        burning=False,
        resume_at="",
        stands=(),  # nothing of it is known to hold any more
        failures=0,
    )
    return state, [*notes, *alarm(why, state.step, kind, dialogue.language.tells_kinds)]
