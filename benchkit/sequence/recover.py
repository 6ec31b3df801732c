"""How often a run may begin something again after transient trouble, and how long it waits for an instrument to come back."""

from __future__ import annotations

from pydantic import Field

from benchkit.files.types import FileModel, Seconds

__all__ = ["RecoverSettings"]


class RecoverSettings(FileModel):
    """
    After a time-out, a broken connection, a torn reply, a query error or a power-cycled instrument: RF off, the instrument
    verified and set up anew, and the ladder measured again from its start. A limit is never tried again.
    """

    attempts: int = Field(default=3, ge=0, le=20, description="How often one ladder (a soak, a bias-up) is begun again; 0: never")
    per_hour: int = Field(default=12, ge=0, le=1000, description="How often in any one hour, whatever it is")
    wait_s: Seconds = Field(
        alias="wait", default=30.0, ge=0, le=600, description="For an instrument to answer again, the part unpowered meanwhile"
    )
