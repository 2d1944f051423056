package watch

import (
	"os"
	"strings"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The calls here that each poll makes never wait. They are made without telling the runtime, whose monitor would wake up for them.

// bootClock returns what reads CLOCK_BOOTTIME, which unlike Go's monotonic clock goes on
// while the machine is suspended, with the kernel's name for this boot. It is false where
// the kernel will not say. The name is read but once: every reading looks at this clock.
func bootClock() func() (boot string, since time.Duration, ok bool) {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	boot := strings.TrimSpace(string(id))
	return func() (string, time.Duration, bool) {
		var ts unix.Timespec
		if err != nil {
			return "", 0, false
		}
		if _, _, failed := syscall.RawSyscall(unix.SYS_CLOCK_GETTIME, unix.CLOCK_BOOTTIME, uintptr(unsafe.Pointer(&ts)), 0); failed != 0 {
			return "", 0, false
		}
		return boot, time.Duration(ts.Nano()), true
	}
}

// kernelAlarm is an alarm of the kernel's, the end of which comes as an answer of a supply does. For a timer of the runtime its
// monitor wakes up too, and looks on for as long as the poll lasts, which costs more than the poll.
func kernelAlarm() alarm {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return timerAlarm()
	}
	file := os.NewFile(uintptr(fd), "timer")
	end, err := file.SyscallConn()
	if err != nil {
		_ = file.Close() // nothing was done with it
		return timerAlarm()
	}
	var times [8]byte
	ended := func(fd uintptr) bool {
		_, _, failed := syscall.RawSyscall(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&times)), uintptr(len(times)))
		return failed == 0
	}
	due := make(chan time.Time, 1)
	go func() { // ends with stop
		for end.Read(ended) == nil {
			due <- time.Now()
		}
	}()
	return alarm{due: due, set: func(d time.Duration) {
		at := unix.ItimerSpec{Value: unix.NsecToTimespec(int64(max(d, 1)))} // 0 would never end
		syscall.RawSyscall6(unix.SYS_TIMERFD_SETTIME, uintptr(fd), 0, uintptr(unsafe.Pointer(&at)), 0, 0, 0)
	}, stop: func() { _ = file.Close() }} // nothing is in it
}
