"""What to call the device at an address of a line."""

from __future__ import annotations

from busprobe.model.device_text import visible
from busprobe.report.material import Material
from busprobe.report.visit import Visit


class Names:
    """Names of devices, by line and address: on two lines one address is two devices.

    The name that the technician gave goes before what a device says of itself. It is given by
    address alone, so that it holds only where one line has that address.
    """

    def __init__(self, material: Material) -> None:
        self._material = material
        self._names: dict[tuple[str, int], str] = {}
        for visit in material.visits:
            line = material.line_of(visit)
            on = f" on {line}" if line else ""
            for address, device in visit.devices.items():
                if device.identity.source != "none":
                    self._names[line, address] = f"{device.identity} at address {address}{on}"
                else:
                    self._names.setdefault((line, address), f"address {address}{on}")
        for meter in material.details.meters:
            there = [key for key in self._names if key[1] == meter.address]
            if len(there) <= 1:
                key = there[0] if there else ("", meter.address)
                self._names[key] = f"{visible(meter.name)} (address {meter.address})"

    def line_of(self, visit: Visit) -> str:
        """What tells the line of a recording from the other lines of the site."""
        return self._material.line_of(visit)

    def name(self, visit: Visit, address: int) -> str:
        """What to call the device at an address of the line of a recording."""
        line = self.line_of(visit)
        return self._names.get((line, address), f"address {address}{f' on {line}' if line else ''}")
