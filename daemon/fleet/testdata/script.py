# The script that a watch is measured beside: it asks the same queries of the same kind of supply, sums the charge, logs each reading, and
# makes the log durable as often as a watch does by default.
# script.py LOG SECONDS QUERY MODE OUTPUT PORT...; a PORT is a device, or host:port for all of them
import heapq, os, selectors, serial, socket, sys, threading, time

every, both, state, ports = float(sys.argv[2]), sys.argv[3].encode(), [q.encode() for q in sys.argv[4:6]], sys.argv[6:]
log, durable, sync = open(sys.argv[1], "w"), time.monotonic(), 10.0


class Line:
    """One line; every fifth poll asks for mode and output too, as a watch does."""

    def __init__(self, number, port):
        self.number, self.port, self.polls, self.charge, self.last = number, port, 0, 0.0, None
        self.due = time.monotonic() + every * number / len(ports)

    def queries(self):
        self.polls += 1
        return [both] + (state if self.polls % 5 == 1 else [])

    def count(self, answer):
        now = time.monotonic()
        volts, amperes = [float(x) for x in answer.split(b";")]
        if self.last is not None:
            self.charge += amperes * (now - self.last)
        self.last = now
        log.write("%d %f %f %f %f\n" % (self.number, time.time(), volts, amperes, self.charge))
        log.flush()
        global durable
        if now - durable >= sync:
            os.fsync(log.fileno())
            durable = now
        self.due += every


def serially(line):
    s = serial.Serial(line.port, 115200, timeout=1)
    while True:
        time.sleep(max(0, line.due - time.monotonic()))
        answers = []
        for q in line.queries():
            s.write(q + b"\n")
            answers.append(s.readline())
        line.count(answers[0])


def sockets(lines):
    selector, due = selectors.DefaultSelector(), [(l.due, l.number) for l in lines]
    for l in lines:
        host, port = l.port.split(":")
        l.socket = socket.create_connection((host, int(port)))
        l.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        l.got = b""
        selector.register(l.socket, selectors.EVENT_READ, l)
    heapq.heapify(due)
    while True:
        while due and due[0][0] <= time.monotonic():
            l = lines[heapq.heappop(due)[1]]
            l.open, l.answers = l.queries(), []
            l.socket.send(l.open[0] + b"\n")
        for key, _ in selector.select(max(0, due[0][0] - time.monotonic()) if due else None):
            l = key.data
            l.got += l.socket.recv(4096)
            if not l.got.endswith(b"\n"):
                continue
            l.answers.append(l.got)
            l.got = b""
            if len(l.answers) < len(l.open):
                l.socket.send(l.open[len(l.answers)] + b"\n")
                continue
            l.count(l.answers[0])
            heapq.heappush(due, (l.due, l.number))


lines = [Line(i, p) for i, p in enumerate(ports)]
if not ports[0].startswith("/"):
    sockets(lines)
elif len(lines) == 1:
    serially(lines[0])
else:
    for l in lines:
        threading.Thread(target=serially, args=(l,)).start()
