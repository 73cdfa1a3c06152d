package pglocal

import (
	"os"
	"strconv"
	"syscall"
)

// dieWithParent has the kernel ask the child for a fast shutdown when the thread
// that started it ends, whatever ended it.
func dieWithParent(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGINT }

func commandLine(pid int) ([]byte, error) {
	return os.ReadFile("/proc/" + strconv.Itoa(pid) + "/cmdline")
}
