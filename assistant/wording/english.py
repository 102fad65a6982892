"""What the assistant says, apart from the prompts and hazards in the data files.

Whole sentences of under five seconds each. A result is never worded as a permission: the tool says how a
reading stands; what follows from it is the technician's decision.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from assistant.dialogue.state import (
    Answer,
    At,
    Bar,
    Candidate,
    Deciding,
    Found,
    Mark,
    Phase,
    Proposing,
    RepairHeard,
    Rules,
    State,
    Taken,
    Working,
)
from assistant.language.meaning import Reading, Unclear, Value
from assistant.language.spoken import spoken_number, spoken_unit, spoken_value
from assistant.trade.computation import Computation
from assistant.trade.computations import CLOCKED_BY, FINDINGS
from assistant.trade.faults import UNUSUAL, Probable
from assistant.trade.feeds import Result
from assistant.trade.history import Earlier, Slope
from assistant.trade.judging import RISING, Limit, Verdict
from assistant.trade.limits import EmergencyKind
from assistant.trade.procedures import State as Site
from assistant.trade.procedures import Step
from assistant.trade.units import round_significant

NOTHING_FOUND = "Last step. Nothing out of limits, nothing left out."
RELIGHT_BRIEF = "Other gas was off. Relight and check its pilots."
RELIGHT = (
    "Other gas was off for the meter. Before you leave, relight and check its pilots by their makers' instructions."
)
NO_PERMISSION = "I advise and record. I give no permission. The maker's instructions and the local code come first."
NO_PERMISSION_BRIEF = "I give no permission. The maker and the local code come first."
ALARMS: Mapping[EmergencyKind, str] = {
    "gas": (
        "Leave now. Get everybody out. Touch no switch, no phone, no flame. "
        "Leave this device where it is. Call the gas supplier from well outside."
    ),
    "carbon monoxide": (
        "Carbon monoxide. Leave now. Get everybody out. Leave this device where it is. "
        "Call the fire department from outside."
    ),
    "fire": (
        "Leave now. Get everybody out. Leave this device where it is. Call the fire department from outside. "
        "Shut gas or power only from outside. Only if it puts nobody in danger."
    ),
    "unknown": ("Leave now. Get everybody out. Leave this device where it is. Call for help from outside."),
}
"""What people are told, by what the emergency is of. Gas: common practice, safety pages of gas utilities say the same;
the others: from memory, verify."""
STAY_OUT = "The visit is stopped. Stay out. Somebody with a name must say area clear."

NO_SUCH_SYMPTOM = "That symptom is not in this visit's table."
NOT_TAKEN = "Not taken."
LISTENING = "I am listening."
ARE_YOU_THERE = "Are you there?"
NOBODY_ANSWERS = "Nobody answers. Somebody look for the technician now."
AS_FAR_AS_IT_GOES = "That is as far as it goes."
STARTS_AGAIN = "The visit starts again from the arrival checks."
FIRST_STEP = "This is the first step."
CANNOT_GO_BACK = "I cannot go back. {why}"
STAYS_TAKEN_BACK = "The reading stays taken back."
CANNOT_BE_SKIPPED = "This step cannot be skipped. It makes the next ones safe."
NOT_SKIPPED = "Not skipped."
SKIPPED = "Skipped, {why}."
NOTED = "Noted."
NO_NOTE = "No note."
LAST_READING = "Last reading: {name}, {value}."
NO_READING = "There is no reading yet."
NO_LIMIT_HERE = "No reading has a limit here."
HELPER_GO_AHEAD = "Helper, go ahead."
NO_ANSWER_HERE = "That is not an answer here."
GOING_ON = "Going on with the visit. {where}"
MARKS_LOST = "The marks are lost. Run it again."
TIMERS_LOST = "The timers are off. Start them again."
STOPWATCHES_LOST = "The stopwatches are lost."
NO_REPAIRS = "No repair is known in this procedure. Say note to keep it."
NO_SHUT_DOWN = "This procedure has no shut-down from here. Shut the gas and the power off."
NO_REPAIR_RECORDED = "No repair is recorded."
REPAIR_AS_A_NOTE = "No such repair is known here. It is kept as a note."
MAKE_IT_SAFE = "{why} Make it safe first."
SAY_UNDERSTOOD = "Say understood."
WOULD_LEAD_TO = "That would lead to {step}. It needs other states of power and gas."
RECORDED = "Recorded: {what}."
YES_OR_NO = "Say yes or no."
NOT_KEPT = "{name} is not kept. {why}"
NOTHING_TO_TAKE_BACK = "There is nothing to take back."
CANNOT_WORK_OUT = "I cannot work it out. {why}"
OTHER_GAS_IS_ON = "Then the meter cannot tell the input. Turn all other gas off first."
THE_FIGURE = "I need the figure."
NO_TIME_HERE = "No time is asked here."
MARKED = "Marked."
NOT_WORKED_OUT = "Not worked out."
TOO_MANY_TIMERS = "{number} timers run. Say timer off first."
TIMER_RUNS = "A timer of {time} runs."
TIMERS_OFF = "The timers are off."
STOPWATCH_RUNS = "Stopwatch {number} runs."
MARKS_DO_NOT_FIT = "The marks do not fit the events. Run it again."
EVENT_HAS_ITS_MARK = "That event has its mark, or is none of this step."
READING_OR_SKIP = "I need the reading, or say skip."
SAY_MARK = "Say mark at each event, and done after the last."
SAY_DONE = "Say done when it is done, or hold."
IT_RISES = "It rises. Find the cause. Give the figure when it is steady."
ON_HOLD = "On hold. Say go on."
STOPPED = "Stopped. Hands out. Say go on when you are ready."
ASKS_WHAT_IS_MISSING = "I ask what I do not know. Say skip to leave it out."
SAY_GO_ON = "Say go on."
WHO_CLEARS = "Who says that the area is clear? Say your name."
IS_IT_CLEAR = "I kept the name. Is the area clear? Say yes or no."
LOWEST_FIRST = "The lowest must be below the highest."
CANNOT_BE_LEFT_OUT = "It decides the procedure. It cannot be left out."
FIRST_QUESTION = "That is the first question."
WHAT_IS_TO_CHANGE = "Say go back, to the answer that is to change."
SET_UP_GOES_ON = "The visit begins with the arrival checks. The set up goes on."
HEARD = "I heard {what}. Is that right?"
NO_FIGURE_FOR_THIS = "That is no figure for this."
THE_FIGURE_ITSELF = "I need the figure itself."
NOT_ASKED_LATER = "It is not asked in what follows."
ONLY_THE_WAIT = "Only the wait of this step runs."
NO_TIMER = "No timer runs."
SYMPTOM_KEPT = "Symptom kept, {name}."
NO_CYCLE_AS_FOUND = "No cycle is run before the cold checks."
NO_CAUSE_KNOWN = "No cause is known of it with this ignition."
NEEDS_STATE = "{step} needs the {what} {allowed}. It is {actual}."
NOT_IN_THE_JOB_FILE = "The job file gives no {name}."
NO_FIGURE = "There is no figure for {name}."
TAKEN = "Taken."
I_HAVE = "I have {what}."
I_HEARD = "I heard {what}."
IN_NOISE = "It is loud here, so I ask. I heard {what}."
IN_NOISE_BRIEF = "Loud here, I heard {what}."
IF_SO_LEAVE = "If so, leave now."
TAKEN_BACK = "Taken back: {what}."
ONCE_MORE = "Say {name} again."
UNTIMED = "{name} was not timed. Say it in seconds, or skip."
AS_LEFT = "As left. {question}"
WITH_IT = "With it, {name}."
REPAIR_RECORDED = "Repair recorded, {repair}. What it touches is asked again, as left."
NOT_KNOWN = "{name} is not known. It is not worked out."
READ_AT_ITS_STEP = "{name} is read at its own step, with its warnings."
NEEDS_THE_BURNER = "{name} needs the burner running. The gas is {gas}, the power {power}."
LEFT = "{time} left."
UP = "Time is up."
TIME_IS_UP = "Time is up. That was {time}."
TO_WAIT = "{time} to wait."
STOPWATCH = "Stopwatch {number}: {seconds} seconds."
LEFT_OUT_UNJUDGED = "Left out. Without it I cannot judge."
LEFT_OUT_GENERIC = "Left out. The generic limit counts."
SAY_A_SPAN = "Say the lowest alone, or between this and that."
AND_THE_HIGHEST = "Lowest {lowest}. And the highest? Say no if there is none."
WAITS = "Waiting. Say begin the visit."
ON_THE_PLATE = "{what} on the plate."
ON_ITS_SHEET = "{what} on its sheet."
BEGIN = "{what}. {values} plate values. Begin the visit?"
IS_IT_RIGHT = "Is that right?"
TALK_BRIEF = "I talk less."
TALK_FULL = "I talk more."
NOT_YET = "Not yet. {time} to wait."
ALL_GOOD = "all good"
GAS_IS_SHUT = "The gas cock is shut and tagged."
POWER_IS_OFF = "The power is off, locked and tagged."
LEFT_ON_AGAINST = "It was left on by the technician's own decision, against: {what}."
CHECK_THE_REST = "What was not checked is checked."
STAYS_ON = "Recorded. It stays on by your decision. I give no permission."
LEFT_OFF = "Recorded. It is left off. I give no permission."
NOT_SHUT_OFF = "Gas and power were not shut off by this visit."
NUMBERS = {1: "one", 2: "two", 3: "three"}  # of the stopwatches
OF_TIMER = "Of {time}, "
THAT_IS = ", that is {value}"
LOWEST_ALONE = "lowest {lowest}, no highest"
LOWEST_AND_HIGHEST = "lowest {lowest}, highest {highest}"
SITE_WITHOUT_NUMBER = "site without a number, {when}"
NOT_NAMED = "technician not named"
SET_UP_BY_VOICE = "{ignition}, {fuel}, set up by voice"

# Kept in the record, and told at the end of the visit.
SMELL_OF_GAS = "smell of gas"
RISES = "{name} is rising, find the cause"
AS_RECORDED = "as recorded"
NOT_TIMED = "{name} not timed, {why}"
NOT_READ_AGAIN = "taken back and not read again"
CAME_AFTER = "after {why}"
NOT_CHECKED = "{title} was not checked"
CANNOT_JUDGE = "cannot judge, {reason}"
FOUND = "{title}, {outcome}"
NOT_AGAIN = {"mended": ", mended and not measured again", "taken back": ", taken back and not read again"}

# Of the record and the devices.
NO_ROOM = ("The record cannot be written.", "Nothing recorded is lost. The visit holds.", "Free some space.")
ROOM_AGAIN = "The record is written again."
DEVICE_LOST = ("The sound device is gone. The visit holds.", "Plug it in again.")
DEVICE_BACK = "The sound is back."
HELPER_LOST = "The helper's microphone is gone. I hear the other one."
STOPPED_NOW = "Stopped. Hands out."
HEAD = "The record's head begins with {characters}."

_UNCLEAR = {
    "silence": "I heard no words.",
    "not-understood": "I did not understand.",
    "out-of-span": "That is more than the meter shows.",
    "no-number": "I need the figure that the meter shows.",
    "trend": "Wait until it is steady, then give the figure.",
    "bound": "I heard more, or less, than. Give the figure that the meter shows.",
    "reversed": "Below zero. Are the leads reversed? Move no lead with the power on.",
    "not-asked": "No reading is asked here.",
    "refused-before": "I hear the same value again, that you refused.",
}
HELP_AFTER_TWO = "Say it digit by digit."
HELP_AFTER_THREE = "Or say hold, or skip with a reason."


def sentences(text: str) -> list[str]:
    """The sentences of a text, for speaking one at a time and listening in between."""
    return re.split(r"(?<=[.?!])\s+", text.strip())


def unclear(meaning: Unclear) -> str:
    """Why an answer is not taken."""
    if meaning.reason == "ambiguous":
        choices = "; or ".join(spoken_number(Decimal(choice), ", ") for choice in meaning.choices)
        return f"Do you mean {choices}?"
    if meaning.reason == "wrong-dimension":
        return f"{capital(meaning.detail)}."
    return _UNCLEAR[meaning.reason]


def can_be_said(at: At, step: Step) -> str:
    """The words that work now, for "what can I say"; the rest is in the table of what can be said."""
    if at is Phase.ASKING:
        return f"Say {_ANSWERS[step.kind]}. Or skip, hold, go back, limit, note, correction."
    return _WORDS.get(at.phase, "Say yes or no. Or hold, say again.")


_ANSWERS = {
    "do": "done",
    "check": "yes, no or all good",
    "read": "the value",
    "time": "mark at each event, then done",
}
_WORDS: Mapping[Phase, str] = {
    Phase.WARNING: "Say understood. Or skip, hold, go back, say again, repair.",
    Phase.REASON: "Say the reason, or no to keep the step.",
    Phase.HOLDING: "Say go on. Or say again, how far, note, timer.",
    Phase.BARRED: "Say repair, and what was mended. Or say shut down, hold.",
    Phase.MISSED: "Say the event that got no mark. Or no, where nobody knows.",
    Phase.REPAIR: "Say what was mended. Or no, where nothing was.",
    Phase.WORKING: "Say the value. Or skip, hold, go back.",
    Phase.SHUTTING: "Say understood. Or hold, say again.",
    Phase.SHUT: "Say done when it is shut off. Or hold.",
    Phase.TELLING: "Say the name of who was told. Or no, for nobody.",
    Phase.FOLLOW_UP: "Say what is to be done. Or no, for nothing.",
}


def read_back(reading: Reading) -> str:
    """A value as it was said, digit by digit."""
    about = "about " if reading.approximate else ""
    if reading.upper is not None and isinstance(reading.value, Decimal):
        low, high = spoken_number(reading.value, ", "), spoken_value(reading.upper, reading.unit)
        return f"{about}{low} to {high}, not steady"
    below, unsteady = "below " if reading.below else "", "" if reading.steady else ", not steady"
    return f"{about}{below}{spoken_value(reading.value, reading.unit)}{unsteady}"


def without_unit(said: str, reading: Reading) -> str:
    """A read-back without its unit, where that is the question's own."""
    value = reading.value
    return said.removesuffix(f" {spoken_unit(reading.unit, value)}") if isinstance(value, Decimal) else said


def outcome(name: str) -> str:
    """How a reading stands, as people say it."""
    return name.replace("-", " ")


def verdict(v: Verdict, judged: Value | None = None) -> str:
    """How a reading stands, in a few words; the whole limit is told on request."""
    said = capital(outcome(v.outcome))
    if v.reason == RISING:
        return "Find the cause, it is higher than before."
    if v.outcome == "cannot-judge":
        reason = "Over range, take a higher range" if "range" in v.reason else "No value from the plate or sheet"
        return f"{said}. {reason}."
    if v.limit is None or v.outcome == "noted":
        return f"{said}."
    if v.outcome == "caution" and v.limit.caution_means:
        said = capital(v.limit.caution_means)
    elif v.outcome == "conditional-pass" and v.limit.guarded:
        said = "Conditional pass, not enough for a safety limit"
    side = _side(v, judged) if isinstance(judged, Decimal) else "open circuit, " if v.outcome == "fail" else ""
    return f"{said}, {side}{_AUTHORITIES[v.limit.authority]}."


def _side(v: Verdict, judged: Decimal) -> str:
    """Which bound a reading that does not plainly pass is held against, "below one point five, "; or how far it is
    from the plate's value, "two point five percent below the plate, "."""
    limit = v.limit
    percent = limit.percent_above_high(judged) if limit else None
    if percent is not None:
        side = "above" if percent > 0 else "below"
        far = f"{spoken_number(abs(percent).normalize())} percent {side}" if percent else "at"
        return f"{far} the {'plate' if limit and limit.authority == 'plate' else 'limit'}, "
    if limit is None or v.outcome == "pass":
        return ""
    held = limit.held(judged)
    low, high = (limit.caution_low, limit.caution_high) if v.outcome == "caution" else (limit.low, limit.high)
    if low is not None and (high is None or abs(held - low) <= abs(high - held)):
        bound, outside = low, "weaker than" if limit.strength else "below"
    elif high is not None:
        bound, outside = high, "stronger than" if limit.strength else "above"
    else:
        return ""
    word = "near" if v.outcome == "conditional-pass" else "at" if held == bound else outside
    return f"{word} {spoken_quantity(bound)}, "


def spoken_quantity(value: Decimal) -> str:
    """A figure that no reading depends on: large ones as people say them, others digit by digit."""
    return f"{round_significant(value, 3):f}" if abs(value) >= 1000 else spoken_number(value)


_AUTHORITIES = {
    "plate": "plate limit",
    "code": "code limit",
    "supplier": "supplier's limit",
    "generic": "generic limit",
}


_STRENGTHS = {"magnitude": ", whatever the sign", "suction": " of suction"}


def limit(rule: Limit | None) -> str:
    """A limit with its authority and source, for "what is the limit"."""
    if rule is None:
        return "There is no limit for this. It is noted."
    if not rule.is_known:
        return "No limit is known. It needs the value of the plate or the part's sheet."
    unit = spoken_unit(rule.unit) + _STRENGTHS.get(rule.strength or "", "")
    parts = []
    if rule.wants_open:
        parts.append("it must read open")
    elif rule.low is not None and rule.high is not None:
        parts.append(f"from {spoken_quantity(rule.low)} to {spoken_quantity(rule.high)} {unit}")
    elif rule.low is not None:
        parts.append(f"at least {spoken_quantity(rule.low)} {unit}")
    elif rule.high is not None:
        parts.append(f"{'below' if rule.is_exclusive('high') else 'at most'} {spoken_quantity(rule.high)} {unit}")
    below, above = ("weaker than", "stronger than") if rule.strength else ("below", "above")
    above = "from" if rule.is_exclusive("caution_high") else above
    for bound, word in ((rule.caution_low, below), (rule.caution_high, above)):
        if bound is not None:
            parts.append(f"caution {word} {spoken_quantity(bound)}")
    return f"{_AUTHORITIES[rule.authority].capitalize()}, {', '.join(parts)}. Source, {_source(rule)}."


def _source(rule: Limit) -> str:
    """A source as it is said: the title of a published one, else what it is; the record has the whole text."""
    if rule.source.mark != "published":
        return rule.source.mark
    return re.split(r"[:;]", rule.source.text)[0]


_STANDS = {
    "found": "until it is mended and measured again",
    "taken back": "until it is read again",
    "mended": "until it is measured again",
}


def barred_by(rules: Rules, bar: Bar) -> str:
    """What forbids something: "rollout switch, fail"."""
    fact = bar.fact
    if isinstance(fact, Answer):
        return fact.text
    name = rules.procedure.step(fact.step).title if isinstance(fact, Taken) else FINDINGS[fact.name].spoken
    return f"{name}, {outcome(fact.verdict.outcome) if fact.verdict else 'not read'}"


def barred(rules: Rules, bar: Bar, act: str, first: Sequence[Step]) -> str:
    """What forbids an act, in one sentence; with the check that has to be made first, where that is all."""
    told = f"No {act}. {capital(barred_by(rules, bar))}, forbids it {_STANDS[bar.stands]}."
    return f"{told} First check {first[0].title}." if first and bar.stands == "mended" else told


def finding(found: Found, brief: bool = False) -> str:
    """A finding, aloud."""
    name = FINDINGS[found.name].spoken
    if found.value is None or found.verdict is None:
        return f"I cannot work out {name}. {found.problem}"
    # No meter behind a finding carries more than three figures; the record keeps them all.
    value = spoken_quantity(round_significant(found.value, 3))
    if brief and found.verdict.outcome in ("pass", "noted"):
        return f"{capital(name)} {value}, {outcome(found.verdict.outcome)}."
    return f"{capital(name)} is {value} {spoken_unit(found.unit, found.value)}. {verdict(found.verdict, found.value)}"


_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def last_time(earlier: Earlier, today: str) -> str:
    """What was read at an earlier visit: "Last November, four point one." today: as 2026-11-26."""
    return f"{capital(_when(earlier.date, today))}, {spoken_quantity(round_significant(earlier.value, 3))}."


def _when(date: str, today: str) -> str:
    """A date as people say it; the day does not matter."""
    if not date or not today:
        return "last time"
    year, month = int(date[:4]), int(date[5:7])
    months = 12 * (int(today[:4]) - year) + int(today[5:7]) - month
    if months == 0:
        return "earlier this month"
    return f"last {_MONTHS[month - 1]}" if months <= 12 else f"in {_MONTHS[month - 1]} {year}"


def slope(line: Slope) -> str:
    """How a value goes over the years; never a promise."""
    goes = "rises" if line.per_year > 0 else "falls"
    told = f"It {goes} about {spoken_quantity(abs(line.per_year))} a year."
    if line.years_to_limit is None:
        return told
    years = line.years_to_limit.quantize(Decimal("0.1"))
    about = f"about {spoken_quantity(years)} years" if years >= 1 else "under a year"
    return f"{told} At this slope, at its limit in {about}. It may be sooner, or later."


def asked_to_work_out(works: Working, rules: Rules, marked: bool) -> str:
    """What is asked for something that is worked out aside. marked: the first of two marks was said."""
    if works.heard:
        return f"I heard {read_back(works.heard)}. Is that right?"
    if not works.asks:
        if rules.job.appliance.fuel == "LP":
            return "L P usually has no meter. Is there one, with all other gas on it off, pilots too?"
        return "Is all other gas on this meter off, pilots too? Say yes or no."
    quantity = rules.quantities[works.asks]
    if works.asks == CLOCKED_BY:
        if marked:
            return "Say mark again after one whole turn."
        return "At full fire, say mark as the hand starts a turn, and mark at its end. Or say the seconds."
    return f"Say the {quantity.spoken}, in {spoken_unit(quantity.unit)}. Say no if it is not known."


def worked(computation: Computation, result: Result, verdict_said: Verdict | None) -> str:
    """What was worked out aside: value, uncertainty, how it stands, and what it rests on."""
    value = result.worked.value
    assert isinstance(value, Decimal)
    figure = spoken_quantity(round_significant(value, 3))
    said = [f"{capital(computation.spoken)} is {figure} {spoken_unit(computation.unit, value)}."]
    doubt = result.worked.expanded_uncertainty
    if doubt is None:
        said.append("How exact it is, is not known.")
    else:
        more = "" if result.whole else ", or more"
        said.append(f"Give or take {spoken_quantity(round_significant(doubt, 2))}{more}.")
    if verdict_said:
        said.append(verdict(verdict_said, value))
    elif computation.finding and result.generic:
        said.append("It is not judged.")
    if result.generic:
        said.append(f"It rests on a generic {' and '.join(result.generic)}.")
    return " ".join([*said, *([computation.caution] if computation.caution else [])])


def probable_cause(rules: Rules, causes: Sequence[Probable], why: str | None, seen: Mapping[str, str]) -> str:
    """The ranked causes; a probability, never a finding."""
    if not causes:
        return "No cause fits what was read so far. Say symptom, and what it does."
    first = f"Probable cause, {causes[0].cause}."
    if why:
        shown = "not as usual" if seen[why] == UNUSUAL else seen[why]
        first += f" For {rules.faults.observations[why].say}: {shown}."
    rest = [each.cause for each in causes[1:3]]
    return f"{first} Then, {'; or '.join(rest)}." if rest else first


def next_measurement(rules: Rules, best: str | None, site: Site) -> str:
    """What to measure next."""
    if best is None:
        return "No measurement would tell more now."
    observation = rules.faults.observations[best]
    told = f"Next best, {observation.say}."
    needs = [
        f"the {what} {wanted}"
        for what, wanted, actual in (("power", observation.power, site.power), ("gas", observation.gas, site.gas))
        if wanted not in (None, actual)
    ]
    return f"{told} It needs {' and '.join(needs)}. Not as things are now." if needs else told


def time_taken(name: str, reading: Taken, confirmed: bool, brief: bool) -> str:
    """A time by marks that was taken, and how it stands; its value is not said again where it was just confirmed."""
    told = verdict(reading.verdict, reading.judged)
    if confirmed:
        return f"{name}. {told}"
    if brief:
        told = taken_briefly(without_unit(read_back(reading), reading), reading, first=True)
        return f"{name}, {told[0].lower()}{told[1:]}"
    return f"{name}, I have {read_back(reading)}. {told}"


def how_far(state: State, rules: Rules) -> str:
    """Where the visit stands."""
    title = rules.procedure.step(state.step).title
    way = rules.procedure.plain_way(rules.job)
    # A step that only a finding leads to has no number.
    where = f"Step {way.index(state.step) + 1} of {len(way)}, {title}." if state.step in way else f"{capital(title)}."
    return f"{where} {len(state.standing)} readings taken."


def time_of(rules: Rules, reading: Taken) -> str:
    """A time that the marks give, before it is taken."""
    return f"{capital(rules.quantities[reading.quantity].spoken)}, {read_back(reading)}."


def spoken_fuel(name: str) -> str:
    """A choice of the set-up as it is said: LP letter by letter."""
    return "L P" if name == "LP" else name


def capital(text: str) -> str:
    """A text as the beginning of a sentence."""
    return text[:1].upper() + text[1:]


def next_mark(step: Step, marks: Sequence[Mark]) -> str:
    """Where a run is that is being marked."""
    if not step.events:
        return f"{len(marks)} counted. Say done after the last."
    return f"{len(marks)} of {len(step.events)} marked. The next is {step.events[len(marks)].replace('-', ' ')}."


def summary(of: Mapping[str, Any], brief: bool = False) -> str:
    """The end of a visit: what was found, what was not checked, what is unsafe. No permission in it."""
    said = ["That is the last step."]
    if "cause" in of:
        said += [f"Complaint, {of['complaint']}."] if of["complaint"] else []
        said.append(f"Probable cause, {of['cause']}." if of["cause"] else "Cause not found.")
    for entry in of["found"]:
        when = "As found, " if entry["as_found"] else "Found, "
        said.append(f"{when}{entry['text']}{_figure(entry['value'], entry['unit'])}.")
    said += [f"Repaired, {each['say']}." for each in of["repairs"]]
    said += [f"Not checked, {each['title']}. Reason, {each['reason']}." for each in of["not_checked"] if each["there"]]
    if not (of["found"] or of["repairs"] or any(each["there"] for each in of["not_checked"])):
        said = [NOTHING_FOUND] if brief else [*said, "No reading is out of its limit, and nothing was left out."]
    if of["unsafe"]:
        said.append(f"{len(of['unsafe'])} of these are unsafe.")
    said += [f"Against leaving it on, {text}." for text in of["against"]]
    return " ".join(said)


def _figure(value: str, unit: str) -> str:
    """A value of the record after what it is of."""
    if value in ("", "open", "over-range"):
        return f", {value.replace('-', ' ')}" if value else ""
    return f", {spoken_quantity(round_significant(Decimal(value), 3))} {spoken_unit(unit)}"


def is_off(site: Site) -> bool:
    """Whether gas and power are both shut off."""
    return site.gas == "shut" and site.power in ("isolated", "dead")


_STAYS_ON = (
    "Does the appliance stay on? That is your decision, not mine.",
    "I heard that it stays on, with all that was found. Is that your decision?",
    "I ask once more. It stays on by your decision. Is that right?",
)


_STAYS_ON_BRIEF = (
    "Does it stay on? Your decision, not mine.",
    "It stays on, with all that was found. Your decision?",
    "Once more. It stays on, right?",
)


def waits_for(at: At, site: Site, rules: Rules, brief: bool = False) -> str:
    """What is waited for, where that does not depend on the step."""
    match at:
        case Proposing(command):
            return f"Did you mean, {command.name.replace('-', ' ')}?"
        case RepairHeard(name):
            return f"The repair is, {rules.procedure.repairs[name].say}. Is that right?"
        case Deciding(yeses):
            off = is_off(site) and not yeses
            asked = _STAYS_ON_BRIEF if brief else _STAYS_ON
            return "Gas and power are off. Does it stay off? The decision is yours." if off else asked[yeses]
    return (_WAITS_FOR_BRIEF.get(at.phase) if brief else None) or _WAITS_FOR[at.phase]


_WAITS_FOR_BRIEF = {
    Phase.REASON: "Why? Say the reason.",
    Phase.TELLING: "Who was told? The name, or no.",
    Phase.FOLLOW_UP: "What is to be done? Or no.",
}

_WAITS_FOR = {
    Phase.WARNING: SAY_UNDERSTOOD,
    Phase.BARRED: "Say repair, and what was done. Or say shut down.",
    Phase.REASON: "Why is it skipped? Say the reason.",
    Phase.NOTING: "Say the note.",
    Phase.HOLDING: ON_HOLD,
    Phase.CLEARING: WHO_CLEARS,
    Phase.CLEARED: IS_IT_CLEAR,
    Phase.MISSED: "One event got no mark. Which? Say no if you do not know.",
    Phase.REPAIR: "What was repaired?",
    Phase.SHUTTING: SAY_UNDERSTOOD,
    Phase.SHUT: "Shut the gas cock and tag it. Turn the power off, lock it and tag it. Say done.",
    Phase.PROVING: "Is the gas shut, and the power off and locked? Say yes or no.",
    Phase.TELLING: "Who was told what was found? Say the name, or say no for nobody.",
    Phase.FOLLOW_UP: "A follow up is needed. Say what is to be done, or say no.",
}


def notice(of: Mapping[str, Sequence[str]]) -> str:
    """The notice, aloud."""
    return " ".join(["The notice says.", *of["hazards"], *of["shut"], *of["restores"]])


def duration(seconds: int) -> str:
    """As said: "two minutes and ten seconds"."""
    minutes, rest = divmod(seconds, 60)
    parts = [(minutes, "minute")] if minutes else []
    parts += [(rest, "second")] if rest or not minutes else []
    return " and ".join(f"{n} {unit}{'' if n == 1 else 's'}" for n, unit in parts)


A_NAME = "a name, kept as sound"
"""What is printed for a name that was said: no small vocabulary has it."""

A_NAME_TO_WRITE = f"{A_NAME}; in letters: {'_' * 30}"
"""The same on a page that is left with people."""


def notice_text(notice: Mapping[str, Sequence[str]], date: str, told: str) -> str:
    """The notice as a page to leave with the appliance.

    notice: of `notice_of`. date: as it is to be printed. told: who was told; empty where nobody was.
    """
    lines = [
        "Notice of a gas appliance that is unsafe, not checked or shut off",
        f"Date: {date}",
        "",
        "What is wrong:",
        *(notice["hazards"] or ["It was left shut off."]),
        "",
        "What was shut:",
        *notice["shut"],
        "",
        "What has to be done by a qualified person before it is used again:",
        *(notice["restores"] or ["The reason for shutting it off is cleared."]),
        "",
        f"Told: {told or 'nobody'}",
        "This notice gives no permission for anything.",
    ]
    return "\n".join(lines) + "\n"


def is_it_right(heard: str, brief: bool) -> str:
    """What was heard, and that a yes is wanted. heard: sentences."""
    short = brief and len(sentences(heard)) == 1
    return f"{heard.rstrip('.')}?" if short else f"{heard} {IS_IT_RIGHT}"


def heard_for(answer: str, step: str, brief: bool) -> str:
    """What was heard at a check, and that a yes is wanted."""
    return f"I heard {answer}?" if brief else f"I heard {answer}, for {step}. {IS_IT_RIGHT}"


NEXT_WORD = ("Say done.", "Say yes or no.")
"""What only says what the next word is, and is left out of the brief talk."""


def briefly(text: str) -> str:
    """A prompt without what only says what the next word is."""
    return " ".join(each for each in sentences(text) if each not in NEXT_WORD)


def looks(steps: Sequence[Step]) -> str:
    """What is asked as one list."""
    return f"{' '.join(step.brief or step.say for step in steps)} All in order?"


def taken_briefly(value: str, taken: Taken, first: bool) -> str:
    """A read-back and its verdict in one breath; the limit's authority the first time, and whenever it does not pass.

    value: as it is read back; empty where it was just confirmed.
    """
    told = verdict(taken.verdict, taken.judged)
    if taken.verdict.outcome == "pass" and taken.verdict.limit:
        told = f"Pass, {taken.verdict.limit.authority}." if first else "Pass."
    return f"{capital(value)}, {told[0].lower()}{told[1:]}" if value else told


def heard_list(entries: Sequence[tuple[str, Candidate]]) -> str:
    """Readings that were said by name in one breath."""
    values = " ".join(f"{capital(name)}, {read_back(each)}." for name, each in entries)
    return f"I heard {len(entries)} value{'s' if len(entries) > 1 else ''}. {values}"
