"""
What a file's models are made of: the strict base model, quantities with units, axes, file names.

In a file a quantity is a text with its unit ("14.125 GHz") and a bare number is a mistake. From Python a float is taken
too, in the base unit that the attribute's name ends in. pydantic tells the two apart: a file is validated in JSON mode.
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict
from pydantic.json_schema import WithJsonSchema

from benchkit.files.axis import LONGEST_AXIS, Axis
from benchkit.files.fields import AxisOf, QuantityOf

__all__ = [
    "LONGEST_AXIS",
    "AmperePerMinute",
    "Amperes",
    "Axis",
    "Celsius",
    "CelsiusAxis",
    "CelsiusVisits",
    "Dbm",
    "DbmAxis",
    "DecibelPerMinute",
    "Decibels",
    "FileModel",
    "FileName",
    "Hertz",
    "HertzAxis",
    "KelvinPerMinute",
    "Kelvins",
    "Ohms",
    "Percent",
    "Seconds",
    "Volts",
    "VoltsAxis",
    "Watts",
    "WholeNumberKey",
]


class FileModel(BaseModel):
    """Frozen and strict about keys: what is not known is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


Hertz = Annotated[float, QuantityOf("Hz")]
Volts = Annotated[float, QuantityOf("V")]
Amperes = Annotated[float, QuantityOf("A")]
Seconds = Annotated[float, QuantityOf("s")]
Celsius = Annotated[float, QuantityOf("degC")]
Kelvins = Annotated[float, QuantityOf("K")]
KelvinPerMinute = Annotated[float, QuantityOf("K/min")]
AmperePerMinute = Annotated[float, QuantityOf("A/min")]
DecibelPerMinute = Annotated[float, QuantityOf("dB/min")]
Decibels = Annotated[float, QuantityOf("dB")]
Dbm = Annotated[float, QuantityOf("dBm")]
Watts = Annotated[float, QuantityOf("W")]
Ohms = Annotated[float, QuantityOf("ohm")]
Percent = Annotated[float, QuantityOf("%")]

HertzAxis = Annotated[Axis, AxisOf("Hz", step_unit="Hz", above=0.0)]
DbmAxis = Annotated[Axis, AxisOf("dBm", step_unit="dB")]
VoltsAxis = Annotated[Axis, AxisOf("V", step_unit="V")]
CelsiusAxis = Annotated[Axis, AxisOf("degC", step_unit="K")]
# A list of places to go to, not of places there are: one may be returned to.
CelsiusVisits = Annotated[Axis, AxisOf("degC", step_unit="K", may_return=True)]


def _check_file_name(name: str) -> str:
    if not name.strip() or name != name.strip():
        raise ValueError(f"{name!r} is no file name; expected a relative path such as paths/input.csv")
    if re.search(r"[\x00-\x1f\x7f]", name):
        raise ValueError(f"{name!r} has a control character in it; expected a relative path such as paths/input.csv")
    if "\\" in name:
        raise ValueError(f"{name!r} has a backslash; write / between folders, it works everywhere")
    # Absolute paths tie a file to one computer; a drive letter is absolute (or worse, relative to a drive) on Windows.
    if name.startswith("/") or re.match(r"[A-Za-z]:", name):
        raise ValueError(f"{name!r} is not relative; expected a path from this file's folder, such as paths/input.csv")
    return name


FileName = Annotated[
    str,
    AfterValidator(_check_file_name),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^(?!/)(?![A-Za-z]:)[^\\]+$",
            "description": "Path from this file's own folder, with / between folders",
            "examples": ["paths/input.csv"],
        }
    ),
]


def _read_key(key: Any) -> Any:
    if not isinstance(key, str):
        return key
    if not re.fullmatch("0|[1-9][0-9]{0,8}", key):
        raise ValueError(f"{key!r} is no whole number such as 1")
    return int(key)


# The keys of a file arrive as texts; without this "1" and "01" would silently become one key.
WholeNumberKey = Annotated[int, BeforeValidator(_read_key)]
