"""The running station: the only place with clocks, devices and sockets.

``Engine`` is its heart, sans-I/O but for the ``Store`` it writes to; the process around it is in ``process``, what
others use to talk to it in ``client``.
"""

from sidetap.station.engine import Engine
from sidetap.station.loads import Gauge, Load, Opening
from sidetap.station.store import Audit, Entry, Record, Store, StoreFailed, read_journal

__all__ = ["Audit", "Engine", "Entry", "Gauge", "Load", "Opening", "Record", "Store", "StoreFailed", "read_journal"]
