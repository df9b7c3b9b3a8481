// The reject gate in Go, by the GPIO character device: responder CHIP INPUT OUTPUT COUNT [RECORDS]
//
// Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits. The
// goroutine keeps its thread, and reads and sets levels by plain system calls. RECORDS: so many small objects are made
// after each answer and kept for 64 edges, so that the collector has work.
package main

import (
	"fmt"
	"os"
	"runtime"
	"strconv"
	"syscall"
	"unsafe"
)

const (
	getLine   = 0xC250B407 // GPIO_V2_GET_LINE_IOCTL
	setValues = 0xC010B40F // GPIO_V2_LINE_SET_VALUES_IOCTL
	inRising  = 1<<2 | 1<<4
	out       = 1 << 3
)

type attribute struct {
	ID, padding uint32
	value, mask uint64
}

type request struct {
	offsets     [64]uint32
	consumer    [32]byte
	flags       uint64
	attributes  uint32
	padding     [5]uint32
	attribute   [10]attribute
	lines       uint32
	eventBuffer uint32
	morePadding [5]uint32
	fd          int32
}

type values struct{ bits, mask uint64 }

func ioctl(fd int, code uintptr, argument unsafe.Pointer) error {
	if _, _, failed := syscall.Syscall(syscall.SYS_IOCTL, uintptr(fd), code, uintptr(argument)); failed != 0 {
		return failed
	}
	return nil
}

func line(chip int, offset string, flags uint64) (int, error) {
	number, err := strconv.ParseUint(offset, 10, 32)
	if err != nil {
		return -1, err
	}
	wanted := request{flags: flags, lines: 1}
	wanted.offsets[0] = uint32(number)
	copy(wanted.consumer[:], "responder")
	err = ioctl(chip, getLine, unsafe.Pointer(&wanted))
	return int(wanted.fd), err
}

type record struct{ bottle, lot int }

func work(records, bottle int) []*record {
	made := make([]*record, records)
	for i := range made {
		made[i] = &record{bottle, i}
	}
	return made
}

func answer(arguments []string) error {
	if len(arguments) == 5 {
		arguments = append(arguments, "0")
	}
	if len(arguments) != 6 {
		return fmt.Errorf("usage: responder CHIP INPUT OUTPUT COUNT [RECORDS]")
	}
	runtime.LockOSThread()
	chip, err := syscall.Open(arguments[1], syscall.O_RDWR|syscall.O_CLOEXEC, 0)
	if err != nil {
		return err
	}
	output, err := line(chip, arguments[3], out)
	if err != nil {
		return err
	}
	input, err := line(chip, arguments[2], inRising)
	if err != nil {
		return err
	}
	count, err := strconv.Atoi(arguments[4])
	if err != nil {
		return err
	}
	records, err := strconv.Atoi(arguments[5])
	if err != nil {
		return err
	}
	var kept [64][]*record
	high, low, event := values{1, 1}, values{0, 1}, make([]byte, 48)
	fmt.Fprintln(os.Stderr, "ready")
	for bottle := 0; bottle < count; bottle++ {
		if _, err := syscall.Read(input, event); err != nil {
			return err
		}
		if err := ioctl(output, setValues, unsafe.Pointer(&high)); err != nil {
			return err
		}
		if err := ioctl(output, setValues, unsafe.Pointer(&low)); err != nil {
			return err
		}
		if records > 0 {
			kept[bottle%64] = work(records, bottle)
		}
	}
	return nil
}

func main() {
	if err := answer(os.Args); err != nil {
		fmt.Fprintln(os.Stderr, "responder:", err)
		os.Exit(3)
	}
}
