"""Types of a record's fields: what is read back must be so."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Final

from pydantic import AfterValidator, Field

#: The largest number of 64 bits with a sign.
LARGEST: Final = 2**63 - 1


def _moment(text: str) -> str:
    dt.datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ")
    return text


def _day(text: str) -> str:
    dt.datetime.strptime(text, "%Y-%m-%d")
    return text


Count = Annotated[int, Field(ge=0, le=LARGEST)]
Moment = Annotated[str, AfterValidator(_moment)]  # ISO 8601, UTC, whole seconds
Day = Annotated[str, AfterValidator(_day)]  # ISO 8601
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
