"""The simulated demo yard: vessels, bays, and a line that speaks real Modbus bytes, bit by bit, in virtual time.

Virtual time and what people do in, bytes as an adapter delivers them and the field's state out. It shares no code
with what it is there to judge: own check bytes, own encoders, own volumes by numerical integration. Only
``sidetap.yard.live`` knows an operating system.
"""

from sidetap.yard.bay import Bay, Tanker, Valve
from sidetap.yard.devices import Device, Faults
from sidetap.yard.field import Transfer
from sidetap.yard.module import Coil, IoModule
from sidetap.yard.plan import PROFILES, WORKING_DAY
from sidetap.yard.probe import Probe
from sidetap.yard.readings import readings_for
from sidetap.yard.tap import Chunk, TapPoint
from sidetap.yard.uart import Framing, LineSettings, Receiver
from sidetap.yard.vessels import Vessel, Wave
from sidetap.yard.yard import Yard

__all__ = [
    "PROFILES",
    "WORKING_DAY",
    "Bay",
    "Chunk",
    "Coil",
    "Device",
    "Faults",
    "Framing",
    "IoModule",
    "LineSettings",
    "Probe",
    "Receiver",
    "Tanker",
    "TapPoint",
    "Transfer",
    "Valve",
    "Vessel",
    "Wave",
    "Yard",
    "readings_for",
]
