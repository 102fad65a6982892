"""What a visit comes to: what was found, what was not checked, what is unsafe, and the notice. Pure.

Everything is in plain JSON values, as it goes into the record, so that a report prints what was said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from assistant.dialogue import gate
from assistant.dialogue.figures import findings
from assistant.dialogue.ranking import found_cause
from assistant.dialogue.state import Answer, Found, Rules, State, Taken
from assistant.language.meaning import value_text
from assistant.trade.computations import FINDINGS
from assistant.trade.limits import limit_for
from assistant.trade.procedures import Step, left_out
from assistant.trade.risks import risk_of
from assistant.wording import english as wording

Body = dict[str, Any]


def summary_of(state: State, rules: Rules) -> Body:
    """What was found, what was not checked and why, what is unsafe, what speaks against leaving it on, and why a follow
    up is needed; of a no heat visit first the complaint and its cause, empty where it was not found."""
    no_heat = rules.procedure.visit == "no heat"
    found = found_of(state, rules)
    unchecked = not_checked(state, rules)
    unsafe = [entry for entry in found if entry["unsafe"]]
    missed = [wording.NOT_CHECKED.format(title=entry["title"]) for entry in unchecked if entry["safety"]]
    return {
        **({"complaint": state.symptom, "cause": found_cause(rules, state)} if no_heat else {}),
        "found": found,
        "not_checked": unchecked,
        "unsafe": unsafe,
        "against": [*_each(entry["text"] for entry in unsafe), *_each(missed)],
        "repairs": [{"repair": r.name, "say": rules.procedure.repairs[r.name].say} for r in state.repairs],
        "readings": len(state.standing),
        "site": {"power": state.site.power, "gas": state.site.gas},
        "follow_up_because": [
            *_each(entry["text"] for entry in found if entry["unsafe"] or not entry["as_found"]),
            *(wording.NOT_CHECKED.format(title=entry["title"]) for entry in unchecked if entry["there"]),
        ],
    }


def found_of(state: State, rules: Rules) -> list[Body]:
    """What does not plainly pass, in the order met; `as_found` where a repair came after it.

    verdict: empty for what a check found. unsafe: it forbids something and is not mended and measured again; or it
    stands, and is a safety limit not met or a safety test failed.
    """
    procedure = rules.procedure
    barring = {bar.about: bar for bar in gate.bars(rules, state)}
    left = {t.quantity for t in state.standing if t.stage == "left"}

    worked = findings(rules, state, taken_back=True)
    entries: list[Body] = []
    for fact in (*state.facts, *worked):
        bar = barring.get(gate.about(fact))
        bars = bar is not None and bar.fact == fact
        if fact.withdrawn and not bars:
            continue
        step = procedure.step(fact.step)
        if isinstance(fact, Answer):
            body = _answered(rules, step, fact)
        elif isinstance(fact, Taken):
            came_after = fact.stage == "found" and fact.quantity in left
            body = _measured(rules, step, fact, step.title, fact.voided or came_after)
        elif fact not in state.facts or fact in worked:
            body = _measured(rules, step, fact, FINDINGS[fact.name].spoken, fact.voided)
        else:
            continue
        if bar and bars and body:
            body |= {"unsafe": True, "text": body["text"] + wording.NOT_AGAIN.get(bar.stands, "")}
        if body and body not in entries:
            entries.append(body)
    return entries


def _answered(rules: Rules, step: Step, answer: Answer) -> Body:
    """What a check found; empty where nothing."""
    if not answer.text:
        return {}
    return {
        "step": step.id,
        "text": answer.text,
        "verdict": "",
        "value": "",
        "unit": "",
        "as_found": answer.voided or bool(step.never_after),  # a cycle as found is not how it is left
        "unsafe": bool(step.proves) and not answer.voided,
        **_in_plain_words(rules, step.id, step.proves),
    }


def _measured(rules: Rules, step: Step, of: Taken | Found, title: str, as_found: bool) -> Body:
    """A reading or finding as an entry; empty where it plainly passes or nothing was to decide."""
    verdict = of.verdict
    if verdict is None or of.value is None:
        return {}
    forbids = bool(verdict.forbids(of.judged if isinstance(of, Taken) else of.value))
    if verdict.is_plain and not forbids:
        return {}
    tests = bool(step.proves) and not (isinstance(of, Found) and of.aside)
    guarded = verdict.limit is not None and verdict.limit.guarded
    failed = verdict.accepted is False and (guarded or tests)
    return {
        "step": step.id,
        "text": wording.FOUND.format(title=title, outcome=wording.outcome(verdict.outcome)),
        "verdict": verdict.outcome,
        "value": value_text(of.value),
        "unit": of.unit,
        "as_found": as_found,
        "unsafe": (failed or forbids) and not as_found,
        **_in_plain_words(rules, gate.about(of), step.proves if tests else ()),
    }


def _in_plain_words(rules: Rules, about: str, proves: Sequence[str]) -> Body:
    """What it can do to people and what puts it right, by what it is about, else by the test that its step is."""
    risk = risk_of(rules.risks, about, proves)
    return {"hazard": risk.hazard, "restores": risk.restores}


def not_checked(state: State, rules: Rules) -> list[Body]:
    """The steps that were skipped or left out, and the readings that could not be judged, each with why.

    safety: it is a safety check that this appliance has, so that leaving the appliance on is forbidden without it.
    there: the appliance has what is to be checked, and somebody a meter for it.
    """
    read = {*(t.step for t in state.standing), *(a.step for a in state.answers if a.stands)}
    told = [s for s in state.skipped if s.reason != wording.NOT_READ_AGAIN or s.step not in read]
    left = {(s.step, s.reason): s.audio for s in told}
    lost = [t for t in state.standing if t.verdict.outcome == "cannot-judge"]
    unjudged = {(t.step, wording.CANNOT_JUDGE.format(reason=t.verdict.reason)): "" for t in lost}
    return [
        {
            "step": step,
            "title": rules.procedure.step(step).title,
            "reason": reason,
            "audio": audio,
            "safety": _is_safety(rules, rules.procedure.step(step), reason),
            "there": reason != left_out(rules.procedure.step(step), rules.job),
        }
        for (step, reason), audio in {**left, **unjudged}.items()
    ]


def _is_safety(rules: Rules, step: Step, reason: str) -> bool:
    """Whether a safety check is missing: a test, or one whose bad result forbids leaving the appliance on. A part that
    is not fitted, and a step that another finding rules out, are not."""
    if reason == left_out(step, rules.job) or step.never_after:
        return False
    names = (*step.quantities, *step.works_out)
    limits = [limit_for(name, rules.limits, rules.job) for name in names]
    forbids = [limit.forbids.acts for limit in limits if limit and limit.forbids]
    return bool(step.proves) or any("leaving on" in acts for acts in (step.forbids, *forbids))


def notice_of(summary: Mapping[str, Any], stays_on: bool = False) -> Body | None:
    """The notice for an appliance that is unsafe, left shut off, or left on against what was found; None where there
    is none to write.

    stays_on: it was left on, by the technician's decision.
    """
    site = summary["site"]
    shut = [
        *([wording.GAS_IS_SHUT] if site["gas"] == "shut" else []),
        *([wording.POWER_IS_OFF] if site["power"] in ("isolated", "dead") else []),
    ]
    against = summary["against"] if stays_on else []
    entries = summary["unsafe"] or ([e for e in summary["found"] if not e["as_found"]] if len(shut) == 2 else [])
    if not entries and len(shut) < 2 and not against:
        return None
    own = wording.LEFT_ON_AGAINST.format(what="; ".join(against)) if against else ""
    missed = [text for text in against if all(text != entry["text"] for entry in entries)]
    restores = [entry["restores"] for entry in entries] + ([wording.CHECK_THE_REST] if missed else [])
    wrong = [f"{wording.capital(entry['text'])}. {entry['hazard']}" for entry in entries]
    return {
        "hazards": _each([*wrong, *(f"{wording.capital(text)}." for text in missed)]),
        "shut": [*shut, own] if own else shut or [wording.NOT_SHUT_OFF],
        "restores": _each(restores),
    }


def _each(texts: Any) -> list[str]:
    return list(dict.fromkeys(texts))
