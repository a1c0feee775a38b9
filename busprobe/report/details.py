"""What only people know: customer, order, names, instruments; one YAML file."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from busprobe.profiles.yaml_source import load_yaml_model

WHAT = "report details"
Text = Annotated[str, Field(max_length=300)]
LongText = Annotated[str, Field(max_length=4000)]
# Modbus over Serial Line V1.02, section 2.2; 255 only behind Modbus TCP (Messaging on TCP/IP
# Implementation Guide V1.0b, section 4.4.1.2).
Address = Annotated[int, Field(ge=1, le=255)]


class Part(BaseModel):
    """Part of the file: nothing unknown, nothing changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class ReportPart(Part):
    """The paper itself."""

    id: Text = ""
    """Number of the report; made from the files where it is left out."""
    revision: Text = "1"
    """Revision."""
    title: Text = "Verification of the Modbus meters"
    """Title."""
    next_verification: LongText = ""
    """When to verify again, and what."""


class SitePart(Part):
    """The site and the job."""

    name: Text = ""
    """Name of the site."""
    customer: Text = ""
    """Whose site it is."""
    address: Text = ""
    """Where it is."""
    order: Text = ""
    """Number of the order."""
    grid_operator: Text = ""
    """Grid operator."""
    metering_point: Text = ""
    """Identifier of the metering point."""
    weather: Text = ""
    """Weather or irradiance, where generation was tested."""
    notes: LongText = ""
    """What else should be known."""


class PersonPart(Part):
    """A person."""

    name: Text = ""
    """Name."""
    company: Text = ""
    """Company."""
    licence: Text = ""
    """Number of the licence."""


class InstrumentPart(Part):
    """A measuring instrument."""

    kind: Annotated[str, Field(min_length=1, max_length=300)]
    """What it is: clamp meter, load, USB adapter, ..."""
    maker: Text = ""
    """Maker."""
    model: Text = ""
    """Model."""
    serial: Text = ""
    """Serial number."""
    calibrated: Text | datetime.date = ""
    """Date of its last calibration."""
    certificate: Text = ""
    """Number of the calibration certificate."""
    accuracy: Text = ""
    """Accuracy or class."""


class MeterPart(Part):
    """What people call a device, and what it measures."""

    address: Address
    """Its address as left."""
    name: Annotated[str, Field(min_length=1, max_length=60)]
    """Its name."""
    role: Literal["grid", "generation", "consumption", "storage"] | None = None
    """What it measures; draws the picture of the power flows."""
    positive: Literal["import", "export"] | None = None
    """What a positive power means at this meter, where that was proven."""


class ReferencePart(Part):
    """A reading of a reference instrument."""

    address: Address
    """The meter it stands beside."""
    quantity: Annotated[str, Field(pattern=r"^([VIPQS](_L[123])?|V_L[123]L[123]|PF(_L[123])?|F)$")]
    """Quantity: V_L1, I_L2, P, F, ..."""
    value: Annotated[float, Field(allow_inf_nan=False)]
    """What the instrument showed, in V, A, W, var, VA or Hz."""
    limit_percent: Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)] | None = None
    """How far the meter may be off [%]; without it nothing is judged."""
    instrument: Text = ""
    """Which instrument."""


class PhotoPart(Part):
    """A photo."""

    file: Annotated[str, Field(min_length=1, max_length=1000)]
    """JPEG or PNG file; its name begins at the folder of this file."""
    caption: Annotated[str, Field(min_length=1, max_length=300)]
    """What it shows."""
    time: Text | datetime.datetime | datetime.date = ""
    """When it was taken; by the clock of the camera where it is left out."""
    position: bool = False
    """Whether where it was taken stays in the picture, and is told beside it."""


class Details(Part):
    """The file."""

    format: Literal[1] = 1
    """Version of this file format."""
    report: ReportPart = ReportPart()
    """The paper itself."""
    site: SitePart = SitePart()
    """The site and the job."""
    technician: PersonPart = PersonPart()
    """Who verified."""
    witness: PersonPart | None = None
    """Who was there on the customer's side."""
    instruments: Annotated[tuple[InstrumentPart, ...], Field(max_length=50)] = ()
    """Instruments that were used."""
    meters: Annotated[tuple[MeterPart, ...], Field(max_length=256)] = ()
    """Names and roles of the devices."""
    references: Annotated[tuple[ReferencePart, ...], Field(max_length=500)] = ()
    """Readings of reference instruments."""
    photos: Annotated[tuple[PhotoPart, ...], Field(max_length=40)] = ()
    """Photos, shown two beside each other in this order."""


def load_details(path: Path) -> Details:
    """Read the details of a report.

    Raises:
        InputError: The file cannot be read or is wrong; one line
            ``file:line:column: path: message`` for every mistake.
    """
    return load_yaml_model(path, Details, what=WHAT)


TEMPLATE = """\
# Details of a report: what only people know. Leave out what does not apply.
format: 1

report:
  id: ""                    # made from the files where it is left empty
  revision: "1"
  next_verification: ""     # when to verify again, and what

site:
  name: ""
  customer: ""
  address: ""
  order: ""
  grid_operator: ""
  metering_point: ""
  weather: ""               # where generation was tested
  notes: ""

technician:
  name: ""
  company: ""
  licence: ""

witness:
  name: ""
  company: ""

instruments:
  - kind: clamp meter
    maker: ""
    model: ""
    serial: ""
    calibrated: ""          # date of the last calibration
    certificate: ""
    accuracy: ""
  - kind: load
    model: fan heater
    accuracy: 2000 W +-10 %

# Names by address as left. Roles draw the picture of the power flows; "positive" says what a
# positive power means at the meter, where that was proven.
meters: []
#  - {address: 1, name: grid meter, role: grid, positive: import}
#  - {address: 3, name: water wheel meter, role: generation, positive: import}

# Readings of a reference instrument; judged only where a limit is given.
references: []
#  - {address: 2, quantity: V_L1, value: 230.4, limit_percent: 1, instrument: clamp meter}

# Photos (JPEG or PNG), beside this file. Where they were taken is left out unless "position: true".
photos: []
#  - {file: board.jpg, caption: Meter 2 with its CTs, time: 2026-03-29 10:15}
"""
