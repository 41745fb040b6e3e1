"""Questions and answers of Modbus RTU as bytes, by pymodbus; its client is not used.

The client's receiver hunts for a frame among what came and hands out the first that fits. Here what came
must be one frame of the unit asked, with the length asked for, and nothing else.
"""

from collections.abc import Sequence

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from quietcell_drivers.modbus_registers import RegisterBlock

_REQUESTS = {"holding": ReadHoldingRegistersRequest, "input": ReadInputRegistersRequest}


class Codec:
    """Questions to and answers of one unit."""

    def __init__(self, unit: int) -> None:
        self._unit = unit
        self._decoder = DecodePDU(is_server=False)
        self._framer = FramerRTU(self._decoder)

    def question(self, block: RegisterBlock) -> bytes:
        """Return the frame that asks for a block."""
        request = _REQUESTS[block.kind](address=block.address, count=block.count, dev_id=self._unit)
        return self._framer.buildFrame(request)

    def answer_size(self, block: RegisterBlock) -> int:
        """Return the size of the frame that answers it: unit, function, byte count, registers, CRC."""
        return 5 + 2 * block.count

    def answer(self, data: bytes, block: RegisterBlock) -> Sequence[int] | int | None:
        """Return the registers `data` answers with, or the code of an exception, or None if no answer."""
        function = _REQUESTS[block.kind].function_code
        if len(data) < 5 or data[0] != self._unit or data[1] & 0x7F != function:
            return None
        if not FramerRTU.check_CRC(data[:-2], int.from_bytes(data[-2:], "big")):
            return None
        is_exception = data[1] & 0x80
        if len(data) != (5 if is_exception else self.answer_size(block)):
            return None
        pdu = self._decoder.decode(data[1:-2])
        if isinstance(pdu, ExceptionResponse):
            return pdu.exception_code
        if pdu is None or len(pdu.registers) != block.count or data[2] != 2 * block.count:
            return None
        return pdu.registers
