package pg

import "syscall"

// childAttributes ends the server with its parent, however that ends, and keeps
// the terminal's interrupt away from it: the parent stops it in order.
func childAttributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Pdeathsig: syscall.SIGINT, Setpgid: true}
}
