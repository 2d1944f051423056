# A multimeter with a scanner of two channels, by somebody who has read SCPI-1999 and not nightcell: TCP, one client at a time, slow, answers with their
# unit and ended by carriage return and line feed, an overload now and then while it changes its range. What its terminals truly have, volts across the
# shunt and volts at the cell, comes as two numbers a line on the standard input. Its port is the first line of the standard output.
import re
import socket
import sys
import threading
import time

SLOW = float(sys.argv[1])
truth = [0.0, 0.0]
errors, configured, asked = [], 'VOLT', 0

def listen_to_truth():
    for line in sys.stdin:
        truth[:] = [float(word) for word in line.split()]

def mnemonic(long):
    short = re.match('[A-Z]+', long).group()
    return '(?:%s|%s)' % (short, long.upper())

VOLTAGE = r'(?::%s(?::DC)?)' % mnemonic('VOLTage')
CHANNELS = r'(?:\s+\(@(\d+)\))?'
MEASURE = re.compile(r':?%s%s\?%s$' % (mnemonic('MEASure'), VOLTAGE, CHANNELS))
CONFIGURE = re.compile(r':?%s%s%s$' % (mnemonic('CONFigure'), VOLTAGE, CHANNELS))
READ = re.compile(r':?%s\?$' % mnemonic('READ'))
ERROR = re.compile(r':?%s:%s(?:%s)?\?$' % (mnemonic('SYSTem'), mnemonic('ERRor'), ':' + mnemonic('NEXT')))
scanned = 101

def shown(channel):
    global asked
    if channel not in (101, 102):
        errors.append('-224,"Illegal parameter value"')
        return None
    time.sleep(SLOW)
    asked += 1
    if asked % 13 == 0:
        return '+9.90000000E+37 VDC'
    return '%+.8E VDC' % truth[channel - 101]

def answer(unit):
    global scanned
    unit = unit.strip().upper()
    if unit == '*IDN?':
        return 'EXAMPLE INSTRUMENTS,SCANNING METER,0042,2.07-A'
    if unit == '*CLS':
        errors.clear()
        return None
    if ERROR.match(unit):
        return errors.pop(0) if errors else '+0,"No error"'
    if READ.match(unit):
        return shown(scanned)
    for form in (MEASURE, CONFIGURE):
        found = form.match(unit)
        if found:
            scanned = int(found.group(1) or 101)
            return shown(scanned) if form is MEASURE else None
    if unit:
        errors.append('-113,"Undefined header"')
    return None

threading.Thread(target=listen_to_truth, daemon=True).start()
server = socket.create_server(('127.0.0.1', 0))
print(server.getsockname()[1], flush=True)
while True:
    client, _ = server.accept()
    with client, client.makefile('rb') as lines:
        try:
            for line in lines:
                said = [a for a in map(answer, line.decode('ascii').split(';')) if a is not None]
                if said:
                    client.sendall((';'.join(said) + '\r\n').encode('ascii'))
        except (ConnectionError, UnicodeDecodeError):
            pass
