"""Readings and findings as the bodies of record entries: plain JSON values."""

from __future__ import annotations

from decimal import Decimal

from assistant.dialogue.state import Found, Taken
from assistant.language.meaning import value_text
from assistant.trade.computation import Computation
from assistant.trade.computations import FINDINGS
from assistant.trade.feeds import Result
from assistant.trade.judging import Verdict


def reading_body(taken: Taken) -> dict[str, object]:
    """A reading and how it stands."""
    return {
        "step": taken.step,
        "quantity": taken.quantity,
        "value": value_text(taken.value),
        "unit": taken.unit,
        "judged": value_text(taken.judged),
        "approximate": taken.approximate,
        **({"upper": value_text(taken.upper)} if taken.upper is not None else {}),
        **({} if taken.steady else {"steady": False}),
        **({"below": True} if taken.below else {}),
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


def worked_body(step: str, computation: Computation, result: Result, verdict: Verdict | None) -> dict[str, object]:
    """What was worked out aside, with its inputs and where each came from."""
    worked = result.worked
    doubt = worked.expanded_uncertainty
    return {
        "step": step,
        "working": computation.name,
        "value": f"{worked.value:f}" if isinstance(worked.value, Decimal) else worked.value,
        "unit": computation.unit,
        "worked_uncertainty": None if doubt is None else f"{doubt:f}",
        "whole": result.whole,
        "inputs": {
            key: {"value": str(known.value), "unit": known.unit, "from": known.origin}
            for key, known in result.inputs.items()
        },
        "generic": list(result.generic),
        "assumptions": list(worked.assumptions),
        "source": worked.source,
        **(verdict_body(verdict) if verdict else {}),
    }


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
