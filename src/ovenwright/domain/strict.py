"""The models a plan is made of: they refuse unknown keys and never change."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

PositiveFloat = Annotated[float, Field(gt=0, allow_inf_nan=False)]
FiniteFloat = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class Strict(BaseModel):
    """Refuses unknown keys, never changes after it was made."""

    # TOML has one number kind an author thinks of: 34 for 34.0 is no fault
    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=False, use_attribute_docstrings=True
    )
