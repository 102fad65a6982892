"""What the assistant says, apart from the prompts and hazards in the data files.

Whole sentences of under five seconds each. A result is never worded as a permission: the tool says how a
reading stands; what follows from it is the technician's decision.
"""

from __future__ import annotations

import re
from decimal import Decimal

from assistant.dialogue.state import Candidate, Found, Rules, State, Taken
from assistant.language.spoken import spoken_number, spoken_unit, spoken_value
from assistant.language.utterance import Unclear
from assistant.trade.findings import FINDINGS
from assistant.trade.judging import Limit, Verdict

NO_PERMISSION = (
    "I advise and record. I give no permission. The maker's instructions, the local code and your licence come first."
)
GAS_ALARM = (
    "Leave now. Get everybody out. Touch no switch, no phone, no flame. "
    "Leave this device where it is. Call the gas supplier from well outside."
)
CO_ALARM = (
    "Carbon monoxide. Leave now. Get everybody out. Leave this device where it is. "
    "Call the emergency service from outside."
)
STAY_OUT = "The visit is stopped. Stay out. Somebody with a name must say area clear."

_OUTCOMES = {
    "pass": "Pass",
    "caution": "Caution",
    "conditional-pass": "In the limit, by less than the meter's uncertainty",
    "conditional-fail": "Out of the limit, by less than the meter's uncertainty",
    "fail": "Fail",
    "cannot-judge": "Cannot judge",
    "noted": "Noted",
}
_UNCLEAR = {
    "silence": "I heard no words.",
    "not-understood": "I did not understand.",
    "out-of-span": "That is more than the meter shows.",
    "no-number": "I need the figure that the meter shows.",
    "range": "I heard a range. Give one figure, the worse end.",
    "bound": "I heard more, or less, than. Give the figure that the meter shows.",
    "not-asked": "No reading is asked here.",
    "refused-before": "I hear the same value again, that you refused.",
}
HELP_AFTER_TWO = "Say it digit by digit."
HELP_AFTER_THREE = "Or say hold, or skip with a reason."


def sentences(text: str) -> list[str]:
    """The sentences of a text, for speaking one at a time and listening in between."""
    return re.findall(r"[^.?!]+[.?!]", text) or [text]


def unclear(meaning: Unclear) -> str:
    """Why an answer is not taken."""
    if meaning.reason == "ambiguous":
        choices = ", or ".join(spoken_number(Decimal(choice)) for choice in meaning.choices)
        return f"Do you mean {choices}?"
    if meaning.reason == "wrong-dimension":
        return f"{meaning.detail[0].upper()}{meaning.detail[1:]}."
    return _UNCLEAR[meaning.reason]


def read_back(candidate: Candidate) -> str:
    """What was heard, digit by digit."""
    if candidate.value is None:
        return candidate.answer
    about = "about " if candidate.approximate else ""
    return about + spoken_value(candidate.value, candidate.unit)


def verdict(v: Verdict) -> str:
    """How a reading stands, in a few words; the whole limit is told on request."""
    said = _OUTCOMES[v.outcome]
    if v.outcome == "cannot-judge":
        reason = "Over range, take a higher range" if "range" in v.reason else "No value from the plate or sheet"
        return f"{said}. {reason}."
    if v.limit is None or v.outcome == "noted":
        return f"{said}."
    return f"{said}, {_authority(v.limit)}."


def _authority(limit: Limit) -> str:
    names = {"plate": "plate limit", "code": "code limit", "supplier": "supplier's limit", "generic": "generic limit"}
    return names[limit.authority]


def limit(rule: Limit | None) -> str:
    """A limit with its authority and source, for "what is the limit"."""
    if rule is None:
        return "There is no limit for this. It is noted."
    source = f"Source: {rule.source.text or rule.source.mark}."
    if rule.source.text and rule.source.mark != "published":
        source = f"{rule.source.mark.capitalize()}. {source}"
    if not rule.is_known:
        return "No limit is known. It needs the value of the plate or the part's sheet."
    parts = []
    if rule.wants_open:
        parts.append("It must read open")
    elif rule.low is not None and rule.high is not None:
        parts.append(f"{spoken_number(rule.low)} to {spoken_number(rule.high)} {spoken_unit(rule.unit)}")
    elif rule.low is not None:
        parts.append(f"At least {spoken_number(rule.low)} {spoken_unit(rule.unit)}")
    elif rule.high is not None:
        parts.append(f"At most {spoken_number(rule.high)} {spoken_unit(rule.unit)}")
    for bound, word in ((rule.caution_low, "below"), (rule.caution_high, "above")):
        if bound is not None:
            parts.append(f"Caution {word} {spoken_number(bound)}")
    return f"{_authority(rule).capitalize()}. {'. '.join(parts)}. {source}"


def finding(found: Found) -> str:
    """A finding, aloud."""
    name = FINDINGS[found.name].spoken
    if found.value is None or found.verdict is None:
        return f"I cannot work out {name}. {found.problem}"
    # A rate in the tens of thousands is not heard digit by digit, and no reading depends on it.
    value = f"{found.value:f}" if abs(found.value) >= 1000 else spoken_number(found.value)
    return f"{name.capitalize()} is {value} {spoken_unit(found.unit, found.value)}. {verdict(found.verdict)}"


def taken(reading: Taken) -> str:
    """The read-back of a reading that was taken, and how it stands."""
    return f"{spoken_value(reading.value, reading.unit)}. {verdict(reading.verdict)}"


def how_far(state: State, rules: Rules) -> str:
    """Where the visit stands."""
    procedure = rules.procedure
    step = procedure.step(state.step)
    return f"Step {procedure.number(step.id)} of {len(procedure.steps)}, {step.title}. {len(state.standing)} readings taken."


def closing(state: State, rules: Rules) -> str:
    """The end of a visit: what was found, what was not checked. No permission in it."""
    procedure = rules.procedure
    said = ["That is the last step."]
    for reading in state.standing:
        if reading.verdict.accepted is False or reading.verdict.outcome == "caution":
            name = procedure.step(reading.step).title
            said.append(f"{name}: {taken(reading)}".capitalize())
    for found in state.findings:
        if found.verdict and (found.verdict.accepted is False or found.verdict.outcome == "caution"):
            said.append(finding(found))
    said += [f"Found: {text}." for _, text in state.remarks]
    said += [f"Not checked: {procedure.step(s.step).title}. Reason: {s.reason}." for s in state.skipped]
    if len(said) == 1:
        said.append("No reading is out of its limit.")
    said.append("I give no permission. What stays on is your decision.")
    return " ".join(said)
