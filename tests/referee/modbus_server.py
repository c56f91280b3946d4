"""A Modbus transmitter by an independent library (pymodbus), for tests/lines/modbus_line.rs.

Usage: modbus_server.py rtu DEVICE | modbus_server.py tcp
Prints "ready" (rtu) or "ready PORT" (tcp) and serves until its standard input closes.

Unit 7: input registers 0.. = 312 (31.2 in tenths), -100 (-10.0), 0x7FFF (sensor broken),
holding registers 10..11 = 51.75 as f32 high word first, 12..13 the same low word first.
"""

import asyncio
import struct
import sys

from pymodbus.server import ModbusSerialServer, ModbusTcpServer

try:
    from pymodbus.datastore import ModbusDeviceContext as Device
except ImportError:  # the name before 3.11
    from pymodbus.datastore import ModbusSlaveContext as Device
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext


def context():
    high, low = struct.unpack(">HH", struct.pack(">f", 51.75))
    # The block's addresses count from 1 where the wire's count from 0.
    inputs = ModbusSequentialDataBlock(1, [312, 0xFF9C, 0x7FFF])
    holding = ModbusSequentialDataBlock(11, [high, low, low, high])
    device = Device(ir=inputs, hr=holding)
    try:
        return ModbusServerContext(devices={7: device}, single=False)
    except TypeError:
        return ModbusServerContext(slaves={7: device}, single=False)


async def main():
    kind = sys.argv[1]
    if kind == "rtu":
        server = ModbusSerialServer(context(), port=sys.argv[2], baudrate=9600, bytesize=8, parity="N", stopbits=1)
    else:
        server = ModbusTcpServer(context(), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    port = ""
    if kind == "tcp":
        port = " %d" % server.transport.sockets[0].getsockname()[1]
    print("ready" + port, flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await server.shutdown()


asyncio.run(main())
