"""An invented shop: three crews, four appliances, visits over three years. No such people or places exist."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import scripted_visits

from assistant.trade.job import Person

FLAMES = ("two point eight", "two point four", "one point nine", "one point four")


def shop(folder: Path) -> Path:
    """A folder of visits: `folder`/NAME/visit.sqlite."""
    demo = scripted_visits.demo_job()
    years = [2023, 2024, 2025, 2026]
    for year, flame in zip(years, FLAMES, strict=True):
        previous = {"flame-signal": Decimal("2.8")} if year > 2023 else {}
        script = {"flame": [f"{flame} microamps"], "manifold": ["three point four inches"]}
        if year == 2026:
            script = {**scripted_visits.EVENTFUL, "look": ["yes"]}
        job = demo.model_copy(update={"previous": previous})
        scripted_visits.visit(folder / f"lane-{year}", script, job, f"{year}-01-05T09:00:00.000Z")
    kim = demo.model_copy(
        update={"site": "3 Sample Street (invented)", "technician": Person(name="Kim Roe (invented)")}
    )
    script = {"line": ["i smell gas"], "line emergency": ["no"] * 60}
    scripted_visits.visit(folder / "street-odour", script, kim, "2026-01-07T13:30:00.000Z", most=60)
    lee = demo.model_copy(update={"site": "9 Model Road (invented)", "technician": Person(name="Lee Poe (invented)")})
    script = {
        "manifold": ["four point two inches"],
        "inlet-running": ["skip"],
        "oxygen": ["what", "seven point five percent"],
    }
    scripted_visits.visit(folder / "road-manifold", script, lee, "2026-01-08T08:15:00.000Z")
    scripted_visits.visit(folder / "road-quiet", {}, lee, "2025-02-08T08:15:00.000Z")
    return folder
