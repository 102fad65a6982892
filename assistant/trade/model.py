"""What the entries of the data files have in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict

from assistant.trade.units import check_unit


class Data(BaseModel):
    """An entry of a data file: never changed, and without keys that are not known."""

    model_config = ConfigDict(frozen=True, extra="forbid")


UnitName = Annotated[str, AfterValidator(check_unit)]
"""The name of a unit of the project."""
