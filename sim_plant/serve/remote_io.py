"""The I/O of the simulated plant as a controller meets it: the devices of a wiring, put together.

The plant's loop publishes an input image and asks what is driven; servers of ``controller.modbus.server``
hand requests to the devices. Both sides may be at it at the same time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from controller.modbus.pdu import Registers
from controller.signals import (
    SAFE_BANK_OUTPUTS,
    SAFE_UNIT_OUTPUTS,
    BankOutputs,
    Inputs,
    Outputs,
    UnitOutputs,
)
from controller.wiring import Asker, Use, Wiring
from sim_plant.serve.device import IoDevice, Values, Writer


class RemoteIo:
    """All devices of a wiring in which the controller asks; ValueError for another.

    ``now_ms`` is monotonic, whole milliseconds; any thread may call it. Devices go by their names in the
    wiring, KeyError for one that is not there.
    """

    def __init__(self, wiring: Wiring, now_ms: Callable[[], int]) -> None:
        if wiring.asker is not Asker.CONTROLLER:
            raise ValueError("this wiring is one in which the bench asks")
        self.wiring = wiring
        self._devices = {device.name: IoDevice(wiring, device.name, now_ms) for device in wiring.devices}
        self._units = {name: _units_shown(wiring, name) for name in self._devices}

    def on_link(self, name: str) -> Mapping[int, Registers]:
        """Unit id to device, for a server of that link; KeyError when there is no such."""
        link = self.wiring.link(name).name
        return {d.unit_id: self._devices[d.name] for d in self.wiring.devices if d.link == link}

    # --- the plant's side --------------------------------------------------------------------------------

    def publish(self, inputs: Inputs) -> None:
        """Put an input image into the registers; the ``life`` of every device goes on by one.

        A device that shows an image with an age does not go on (``IoDevice.publish``).
        """
        values = values_of(inputs)
        ages_ms = (inputs.bank_age_ms, *inputs.unit_age_ms)
        for name, device in self._devices.items():
            device.publish(values, max((ages_ms[unit] for unit in self._units[name]), default=0))

    def drive(self) -> Outputs:
        """What stands at the outputs now; an option that is not wired is at its loss state."""
        values: dict[str, bool | float] = {}
        for device in self._devices.values():
            values |= device.driven()
        return outputs_of(values, self.wiring.n_units)

    def alive(self, device: str) -> bool:
        """Somebody writes to it, or nothing can be written there."""
        return self._devices[device].alive()

    def lost_devices(self) -> tuple[str, ...]:
        """Those to which nobody writes, in the order of the wiring."""
        return tuple(name for name, device in self._devices.items() if not device.alive())

    def writer(self, device: str) -> Writer | None:
        """Who writes to it; None when nobody does."""
        return self._devices[device].writer()

    def value(self, device: str, point: str) -> bool | float:
        """What stands at a point, as the wiring reads it; KeyError when the device has no such."""
        return self._devices[device].value(point)

    # --- what may go wrong -------------------------------------------------------------------------------

    def reboot(self, device: str, silent_ms: int) -> None:
        """It starts anew: silent for so long, then life from 0, no owner; outputs at loss unless held."""
        self._devices[device].reboot(silent_ms)

    def silence(self, device: str, for_ms: int) -> None:
        """It does not answer for so long, and runs on (F67)."""
        self._devices[device].silence(for_ms)

    def hold_outputs(self, device: str, on: bool = True) -> None:
        """It keeps its outputs when nobody writes and when it starts anew (F75)."""
        self._devices[device].hold_outputs(on)

    def show_identity(self, device: str, value: float | None) -> None:
        """It shows another identity, None for its own (F76); ValueError when it has none."""
        self._devices[device].show_identity(value)

    def stand_still(self, device: str, on: bool = True) -> None:
        """It answers, and its life and its image stand still (F68)."""
        self._devices[device].stand_still(on)


def values_of(inputs: Inputs) -> Values:
    """The input image by the names of its signals: "bank.header_ma", "unit1.selector_auto"."""
    values: dict[str, bool | float] = {f"bank.{name}": value for name, value in inputs.bank._asdict().items()}
    for unit, image in enumerate(inputs.units, 1):
        values |= {f"unit{unit}.{name}": value for name, value in image._asdict().items()}
    return values


def outputs_of(values: Values, n_units: int) -> Outputs:
    """The output image from values by name; what has none is at its loss state."""
    bank = BankOutputs._make(
        values.get(f"bank.{name}", loss) for name, loss in SAFE_BANK_OUTPUTS._asdict().items()
    )
    safe = SAFE_UNIT_OUTPUTS._asdict()
    units = tuple(
        UnitOutputs._make(values.get(f"unit{unit}.{name}", loss) for name, loss in safe.items())
        for unit in range(1, n_units + 1)
    )
    return Outputs(bank, units)


def _units_shown(wiring: Wiring, device: str) -> frozenset[int]:
    """Units whose inputs a device shows; 0 is the bank."""
    return frozenset(point.unit for point in wiring.points_of(device) if point.use is Use.FIELD_INPUT)
