"""What a visit comes to: what was found, what was not checked, what is unsafe, and the notice. Pure.

Everything is in plain JSON values, as it goes into the record, so that a report prints what was said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

from assistant.dialogue.bodies import plain
from assistant.dialogue.state import Found, Rules, State, Taken
from assistant.trade.findings import FINDINGS
from assistant.trade.judging import Verdict
from assistant.trade.procedures import Proof, Step

Body = dict[str, Any]

TAKEN_BACK = "taken back and not read again"  # why a step is not checked whose reading a correction took away

# What a safety test that did not pass can do to people, and what puts it right. Own words, common practice.
HAZARDS: dict[Proof | Literal["other"], tuple[str, str]] = {
    "proved-dead": ("Live parts can be touched. They can kill.", "The power is isolated and proved dead."),
    "ground-path": ("The cabinet can become live. It can kill.", "The ground path is mended and measured again."),
    "limit-switch": ("The furnace can overheat. It can start a fire.", "The limit switch is mended and tested again."),
    "rollout-switch": (
        "Flame can leave the burner box. It can start a fire.",
        "The rollout switch and its cause are mended and tested again.",
    ),
    "pressure-switch": (
        "The burner can run with a blocked vent. Burnt gas is poisonous.",
        "The pressure switch and the vent are mended and tested again.",
    ),
    "low-gas-check": ("LP gas can lie low. It can explode.", "The gas is aired out and its source is stopped."),
    "sequence-timing": ("Gas can gather before it lights. It can explode.", "The sequence is mended and timed again."),
    "venting": ("Burnt gas comes into the room. It is poisonous.", "The vent is mended and tested again."),
    "flue-oxygen": ("The flame burns badly. Burnt gas can be poisonous.", "The burner is mended and measured again."),
    "flue-co": (
        "The burnt gas holds carbon monoxide. It is poisonous, and has no smell.",
        "The cause of the carbon monoxide is mended and measured again.",
    ),
    "flame-failure": (
        "Gas can flow with no flame. It can explode.",
        "The flame control is mended and flame failure is proved again.",
    ),
    "lock-out": ("Gas can flow with no flame. It can explode.", "The control is mended and lock out is proved again."),
    "safe-shut-down": (
        "Gas can flow when the pilot is out. It can explode.",
        "The pilot control is mended and its shut down is timed again.",
    ),
    "jumpers-out": ("A safety switch is bypassed. Nothing stops a fault.", "Every jumper is out and checked."),
    "leak-check": ("Gas leaks. It can explode.", "The leak is mended and checked again."),
    "other": ("It does not work as its maker wants. It can hurt people.", "The fault is mended and checked again."),
}


def summary_of(state: State, rules: Rules) -> Body:
    """What was found, what was not checked and why, what is unsafe, and why a follow up is needed."""
    found = found_of(state, rules)
    unchecked = not_checked(state, rules)
    return {
        "found": found,
        "not_checked": unchecked,
        "unsafe": [entry for entry in found if entry["unsafe"]],
        "repairs": [{"repair": r.name, "say": rules.procedure.repairs[r.name].say} for r in state.repairs],
        "readings": len(state.standing),
        "site": {"power": state.site.power, "gas": state.site.gas},
        "follow_up_because": [
            *(entry["text"] for entry in found if not entry["as_found"]),
            *(f"{entry['title']} was not checked" for entry in unchecked),
        ],
    }


def found_of(state: State, rules: Rules) -> list[Body]:
    """What does not plainly pass, in the order met; `as_found` where a repair came after it.

    verdict: empty for what a check found. unsafe: it stands, and is a safety limit not met or a safety test failed.
    """
    procedure = rules.procedure
    left = {t.quantity for t in state.standing if t.stage == "left"}
    taken = [
        replace(t, voided=t.voided or (t.stage == "found" and t.quantity in left))
        for t in state.readings
        if not t.withdrawn
    ]
    entries = [
        *(_measured(procedure.step(t.step), t, t.verdict, procedure.step(t.step).title) for t in taken),
        *(_measured(procedure.step(f.step), f, f.verdict, FINDINGS[f.name].spoken) for f in state.findings),
    ]
    checks = [
        {
            "step": remark.step,
            "text": remark.text,
            "verdict": "",
            "value": "",
            "unit": "",
            "as_found": remark.voided,
            "unsafe": bool(procedure.step(remark.step).proves) and not remark.voided,
            **_in_plain_words(procedure.step(remark.step)),
        }
        for remark in state.remarks
    ]
    return [entry for entry in entries if entry] + checks


def _measured(step: Step, of: Taken | Found, verdict: Verdict | None, title: str) -> Body:
    """A reading or finding as an entry; empty where it plainly passes or nothing was to decide."""
    if verdict is None or verdict.outcome in ("pass", "noted", "cannot-judge"):
        return {}
    failed = verdict.accepted is False
    tests = bool(step.proves) and not (isinstance(of, Found) and of.aside)
    guarded = verdict.limit is not None and verdict.limit.guarded
    return {
        "step": step.id,
        "text": f"{title}, {verdict.outcome.replace('-', ' ')}",
        "verdict": verdict.outcome,
        "value": plain(of.value),
        "unit": of.unit,
        "as_found": of.voided,
        "unsafe": failed and (guarded or tests) and not of.voided,
        **_in_plain_words(step if tests else None),
    }


def _in_plain_words(step: Step | None) -> Body:
    hazard, restores = HAZARDS[step.proves[0] if step and step.proves else "other"]
    return {"hazard": hazard, "restores": restores}


def not_checked(state: State, rules: Rules) -> list[Body]:
    """The steps that were skipped or left out, and the readings that could not be judged, each with why."""
    read = {taken.step for taken in state.standing}
    left = {(s.step, s.reason): s.audio for s in state.skipped if s.reason != TAKEN_BACK or s.step not in read}
    unjudged = {
        (t.step, f"cannot judge, {t.verdict.reason}"): "" for t in state.standing if t.verdict.outcome == "cannot-judge"
    }
    return [
        {"step": step, "title": rules.procedure.step(step).title, "reason": reason, "audio": audio}
        for (step, reason), audio in {**left, **unjudged}.items()
    ]


def notice_of(summary: Mapping[str, Any]) -> Body | None:
    """The notice for an appliance that is unsafe, or is left shut off; None where there is none to write."""
    site = summary["site"]
    shut = [
        *(["The gas cock is shut and tagged."] if site["gas"] == "shut" else []),
        *(["The power is off, locked and tagged."] if site["power"] in ("isolated", "dead") else []),
    ]
    entries = summary["unsafe"] or ([e for e in summary["found"] if not e["as_found"]] if len(shut) == 2 else [])
    if not entries and len(shut) < 2:
        return None
    return {
        "hazards": _each(f"{_sentence(entry['text'])} {entry['hazard']}" for entry in entries),
        "shut": shut or ["Gas and power were not shut off by this visit."],
        "restores": _each(entry["restores"] for entry in entries),
    }


def notice_text(notice: Mapping[str, Sequence[str]], date: str, told: str) -> str:
    """The notice as a page to leave with the appliance.

    notice: of `notice_of`. date: as it is to be printed. told: who was told; empty where nobody was.
    """
    lines = [
        "Notice of an unsafe or shut off gas appliance",
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


def _each(texts: Any) -> list[str]:
    return list(dict.fromkeys(texts))


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."
