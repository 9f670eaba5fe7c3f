"""Base of all configuration: frozen settings, unknown keys rejected; every key carries its unit."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]

StreamPath = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*/[a-z0-9]+(-[a-z0-9]+)*$")]

Positive = Annotated[float, Field(gt=0)]

NotNegative = Annotated[float, Field(ge=0)]

LimitName = Literal["LOLO", "LO", "HI", "HIHI"]

MetreVerdict = Literal["none", "suspect", "nonconforming"]

LineStateName = Literal["running", "ramping", "stopped"]


class Settings(BaseModel):
    """Base of all configuration: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def repeated(what: str, names: list[str]) -> list[str]:
    return [f"{what} {name!r} occurs more than once" for name in sorted({n for n in names if names.count(n) > 1})]


def refuse(problems: list[str]) -> None:
    if problems:
        raise ValueError("; ".join(problems))
