//go:build unix && !linux

package pglocal

import (
	"os/exec"
	"strconv"
	"syscall"
)

// dieWithParent does nothing: only Linux has a parent-death signal. A server
// orphaned by a killed process is stopped by the next start (see settle).
func dieWithParent(*syscall.SysProcAttr) {}

func commandLine(pid int) ([]byte, error) {
	return exec.Command("ps", "-ww", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
}
