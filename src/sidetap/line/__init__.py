"""What travels on a tapped Modbus line: bytes in, transactions and values out; never a byte towards the line.

Recordings and the live tap deliver ``Chunk``s. A ``Parser`` takes them and hands out ``Transaction``s and ``Noise``.
``decode`` and its kin turn registers into values. This room builds no request, opens no device and owns no clock.
"""

from sidetap.line.ascii import mode_of
from sidetap.line.batch import Batch
from sidetap.line.chunk import Chunk
from sidetap.line.columns import Columns, Mode
from sidetap.line.crc import crc16
from sidetap.line.encodings import (
    ARRAY_ENCODINGS,
    ENCODINGS,
    decode,
    decode_array,
    decode_exact,
    decoder,
    reference,
    width,
)
from sidetap.line.offline import listen
from sidetap.line.pace import Pace
from sidetap.line.parser import Parser
from sidetap.line.settings import Settings
from sidetap.line.transaction import Noise, Outcome, Transaction

__all__ = [
    "ARRAY_ENCODINGS",
    "ENCODINGS",
    "Batch",
    "Chunk",
    "Columns",
    "Mode",
    "Noise",
    "Outcome",
    "Pace",
    "Parser",
    "Settings",
    "Transaction",
    "crc16",
    "decode",
    "decode_array",
    "decode_exact",
    "decoder",
    "listen",
    "mode_of",
    "reference",
    "width",
]
