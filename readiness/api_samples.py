"""Samples of battery monitors over the API: thousands of rows at a time, CSV or JSON, each refused or kept by itself."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from ninja import Field, Query, Router, Schema
from ninja.responses import Status

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import ApiToken, BatteryBank
from fleet.web.api import ApiRefusal, KeyAuth, asked_by
from readiness.api import REFUSALS
from readiness.domain.sample_files import MOST_BYTES, MOST_ROWS, read_samples
from readiness.models import LoggerKey, SamplePost
from readiness.services.samples import samples_take

router = Router(tags=["readiness"])
WRITE_SAMPLES = KeyAuth("samples:write")
FAULTS_TOLD = 500

_ROW: dict[str, Any] = {
    "type": "object",
    "required": ["at"],
    "properties": {
        "bank": {
            "type": "string",
            "description": "serial number of the bank; may be left out where the key or 'bank' of the body names one",
        },
        "at": {
            "oneOf": [{"type": "string", "format": "date-time"}, {"type": "number"}],
            "description": "with its offset from UTC; or seconds (or milliseconds) since 1970 UTC",
        },
        "volts_v": {"type": "number", "description": "voltage of the whole bank [V]"},
        "current_a": {"type": "number", "description": "positive into the bank [A]"},
        "temp_c": {
            "type": "number",
            "description": "temperature of the battery [degC]; temp_f in degF is read, too",
        },
        "soc": {"type": "number", "description": "charge state it shows, 0..1; soc_pct in % is read, too"},
        "counted_ah": {"type": "number", "description": "charge counted, positive into the bank [Ah]"},
    },
}
_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": {
                    "oneOf": [
                        {"type": "array", "items": _ROW, "maxItems": MOST_ROWS},
                        {
                            "type": "object",
                            "required": ["samples"],
                            "properties": {
                                "bank": {"type": "string"},
                                "samples": {"type": "array", "items": _ROW, "maxItems": MOST_ROWS},
                            },
                        },
                    ]
                }
            },
            "text/csv": {
                "schema": {"type": "string"},
                "example": "bank,at,volts_v,current_a,temp_c,soc,counted_ah\n"
                "BK-0001,2026-11-25T07:00:00+01:00,25.61,-0.02,11.4,0.97,-3.1\n",
            },
        },
    }
}


class SampleFaultOut(Schema):
    row: int = Field(description="counted from 1; in CSV the line of the file, its header being line 1")
    field: str
    key: str = Field(
        description="sample.conflict: other values are on file for that instant; else why it was refused"
    )
    message: str = Field(description="names row, field and mend")


class SamplesOut(Schema):
    post: int
    rows: int
    kept: int = Field(description="new rows, now on file")
    known: int = Field(description="rows that were on file already, with the same values")
    conflicts: int = Field(
        description="rows with other values than those on file for that bank and instant: not taken"
    )
    refused: int = Field(description="rows that cannot be true or cannot be read: not taken")
    banks: list[str]
    first_at: dt.datetime | None
    last_at: dt.datetime | None
    ignored_columns: list[str]
    faults: list[SampleFaultOut] = Field(description=f"at most {FAULTS_TOLD}; the counts are of all")
    faults_left_out: int


@router.post(
    "/samples",
    auth=WRITE_SAMPLES,
    response={200: SamplesOut, 400: ApiRefusal, 413: ApiRefusal, **REFUSALS},
    openapi_extra=_BODY,
)
def add_samples(
    request: HttpRequest,
    zone: Annotated[
        str, Query(max_length=60, description="time zone of times without an offset, such as Europe/Oslo")
    ] = "",
) -> Any:
    """Take samples of battery monitors, CSV or JSON, in any order. Good rows are kept whatever becomes of the others.

    The same rows again change nothing and are told as known. A row is refused with a sentence, never the whole post.
    """
    if int(request.headers.get("Content-Length") or 0) > MOST_BYTES:
        most = MOST_BYTES // 1_000_000
        message = f"At most {most} MB and {MOST_ROWS} rows can be sent at a time. Send them in parts."
        return Status(413, {"key": "samples.too_large", "message": message})
    user, rights = asked_by(request)
    token: ApiToken = request.auth  # type: ignore[attr-defined]
    only = bank_of_key(token)
    if not rights.can("upkeep"):
        raise PermissionDenied("The account of this key keeps no depot, so it may not write samples.")
    try:
        if zone:
            find_zone(zone)
        taken = samples_take(
            file=read_samples(request.read()),
            how=SamplePost.How.API,
            actor=user,
            rights=rights,
            key=token,
            only=only,
            zone=zone,
            name=token.name,
        )
    except DomainError as error:
        return Status(400, {"key": error.key, "message": error.sentence})
    return {
        **{name: getattr(taken, name) for name in ("rows", "kept", "known", "conflicts", "refused", "banks")},
        "post": taken.post.pk if taken.post else 0,
        "first_at": taken.first_at,
        "last_at": taken.last_at,
        "ignored_columns": list(taken.ignored),
        "faults": [fault.as_dict() for fault in taken.faults[:FAULTS_TOLD]],
        "faults_left_out": max(0, len(taken.faults) - FAULTS_TOLD),
    }


def bank_of_key(token: ApiToken) -> BatteryBank | None:
    """The one bank a key may write about; None for a key of a user."""
    row = LoggerKey.objects.filter(token=token).select_related("bank").first()
    return row.bank if row else None
