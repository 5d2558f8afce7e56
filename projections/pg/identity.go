package pg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// identity is the user as which the server runs.
type identity struct {
	name     string
	uid, gid int
	switchTo bool // it isn't this process's own
}

// runner is this process's user, or an unprivileged one when that is root, since
// Postgres refuses root.
func runner() (*identity, error) {
	if os.Geteuid() != 0 {
		return &identity{name: "this user"}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, errUID := strconv.Atoi(u.Uid)
		gid, errGID := strconv.Atoi(u.Gid)
		if errUID == nil && errGID == nil {
			return &identity{name: name, uid: uid, gid: gid, switchTo: true}, nil
		}
	}
	return nil, errors.New("postgres refuses to run as root, and there is no user postgres or nobody to run it as")
}

// own gives a folder to the user, and makes sure that the user can get there.
func (i *identity) own(dir string) error {
	if !i.switchTo {
		return nil
	}
	for parent := filepath.Dir(dir); ; parent = filepath.Dir(parent) {
		info, err := os.Stat(parent)
		if err != nil {
			return err
		}
		if stat, ok := info.Sys().(*syscall.Stat_t); ok && info.Mode()&0o001 == 0 && int(stat.Uid) != i.uid && (int(stat.Gid) != i.gid || info.Mode()&0o010 == 0) {
			return fmt.Errorf("user %s, as which Postgres runs, can't enter %s: choose another folder, or chmod o+x %[2]s", i.name, parent)
		}
		if parent == filepath.Dir(parent) {
			break
		}
	}
	return os.Chown(dir, i.uid, i.gid)
}

// command is a program run as the user, without this process's PG* settings.
func (i *identity) command(ctx context.Context, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Dir = "/"
	for _, setting := range os.Environ() {
		if !strings.HasPrefix(setting, "PG") && !strings.HasPrefix(setting, "LC_") {
			cmd.Env = append(cmd.Env, setting)
		}
	}
	cmd.Env = append(cmd.Env, "LC_ALL=C")
	cmd.SysProcAttr = childAttributes()
	if i.switchTo {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(i.uid), Gid: uint32(i.gid)}
	}
	return cmd
}
