//go:build !linux

package pg

import "syscall"

// childAttributes keeps the terminal's interrupt away from the server: the parent
// stops it in order. Outside Linux nothing stops it when the parent is killed; the
// next start then says that it still runs.
func childAttributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true}
}
