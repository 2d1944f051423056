# Two supplies of registers, units 7 and 8, behind the Modbus server that python3-pymodbus has: "tcp PORT", or "rtu DEVICE". The current of one stops when its output is written off.
import sys
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.payload import BinaryPayloadBuilder
from pymodbus.constants import Endian
from pymodbus.server import StartSerialServer, StartTcpServer
from pymodbus.transaction import ModbusRtuFramer

def words(kind, value, order=Endian.Big):
    b = BinaryPayloadBuilder(byteorder=Endian.Big, wordorder=order)
    getattr(b, 'add_' + kind)(value)
    return b.to_registers()

class Registers(ModbusSequentialDataBlock):
    def setValues(self, address, values):
        super().setValues(address, values)
        if address == 18 and self.getValues(18, 1) == [0]:
            super().setValues(20, words('32bit_float', 0.0, Endian.Little))

def supply(name, amperes):
    hold = Registers(0, [0] * 100)
    hold.setValues(0, words('string', name.ljust(20)))
    hold.setValues(16, [3900])
    hold.setValues(18, [1])
    hold.setValues(19, [1])
    hold.setValues(20, words('32bit_float', amperes, Endian.Little))
    hold.setValues(24, words('32bit_int', 3000))
    hold.setValues(26, [600])
    return ModbusSlaveContext(hr=hold, zero_mode=True)

context = ModbusServerContext(slaves={7: supply('EXAMPLE PS-M 0001', 3.0012), 8: supply('EXAMPLE PS-M 0002', 1.5003)}, single=False)
if sys.argv[1] == 'tcp':
    StartTcpServer(context=context, address=('127.0.0.1', int(sys.argv[2])), ignore_missing_slaves=True)
else:
    StartSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=19200, timeout=0.005, ignore_missing_slaves=True)
