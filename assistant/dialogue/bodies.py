"""Readings and findings as the bodies of record entries: plain JSON values."""

from __future__ import annotations

from assistant.dialogue.state import Found, Taken
from assistant.language.meaning import Value
from assistant.trade.findings import FINDINGS
from assistant.trade.judging import Verdict
from assistant.trade.quantities import Overload


def reading_body(taken: Taken) -> dict[str, object]:
    """A reading and how it stands."""
    return {
        "step": taken.step,
        "quantity": taken.quantity,
        "value": plain(taken.value),
        "unit": taken.unit,
        "judged": plain(taken.judged),
        "approximate": taken.approximate,
        **({"upper": plain(taken.upper), "steady": False} if taken.upper is not None else {}),
        "words": taken.words,
        "audio": taken.audio,
        "speaker": taken.speaker,
        "stage": taken.stage,
        **verdict_body(taken.verdict),
    }


def finding_body(found: Found) -> dict[str, object]:
    """A finding and how it stands."""
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
    return {**body, **(verdict_body(found.verdict) if found.verdict else {})}


def verdict_body(verdict: Verdict) -> dict[str, object]:
    """A verdict with its limit and decision rule."""
    limit = verdict.limit
    return {
        "verdict": verdict.outcome,
        "reason": verdict.reason,
        "decision_rule": verdict.decision_rule,
        "expanded_uncertainty": None if verdict.expanded_uncertainty is None else f"{verdict.expanded_uncertainty:f}",
        "limit": limit.model_dump(mode="json", exclude_defaults=True) if limit else None,
    }


def plain(value: Value | None) -> str:
    """A value as a record keeps it: the digits said."""
    return value.value if isinstance(value, Overload) else f"{value:f}" if value is not None else ""
