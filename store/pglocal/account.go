//go:build unix

package pglocal

import (
	"fmt"
	"os"
	"os/user"
	"strconv"
	"strings"
	"syscall"
)

// account is the user the server runs as. PostgreSQL refuses to run as root, so
// for root that is whoever owns the data, else postgres, else nobody.
type account struct {
	uid, gid int
	name     string
	switched bool // not this process's own user
}

func chooseAccount(dir, data string) (account, error) {
	if os.Getuid() != 0 {
		return accountOf(os.Getuid(), os.Getgid())
	}
	for _, p := range []string{data, dir} {
		if uid, gid, ok := owner(p); ok && uid != 0 {
			return accountOf(uid, gid)
		}
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.Atoi(u.Uid)
		gid, err2 := strconv.Atoi(u.Gid)
		if err1 == nil && err2 == nil {
			return account{uid, gid, name, true}, nil
		}
	}
	return account{}, fmt.Errorf("PostgreSQL refuses to run as root, and there is no user postgres or nobody to run it as: " +
		"create one (adduser --system postgres)")
}

func accountOf(uid, gid int) (account, error) {
	name, err := userName(uid)
	if err != nil {
		return account{}, err
	}
	return account{uid, gid, name, uid != os.Getuid()}, nil
}

// userName looks the number up: PostgreSQL does the same when somebody connects,
// and $USER may say anything.
func userName(uid int) (string, error) {
	u, err := user.LookupId(strconv.Itoa(uid))
	if err != nil {
		return "", fmt.Errorf("user number %d has no name, and PostgreSQL needs one: "+
			"run as a user that /etc/passwd knows (in a container: one made by adduser)", uid)
	}
	return u.Username, nil
}

func owner(path string) (uid, gid int, ok bool) {
	st, err := os.Stat(path)
	if err != nil {
		return 0, 0, false
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, 0, false
	}
	return int(sys.Uid), int(sys.Gid), true
}

// own hands a file over to the account; without effect for an ordinary user,
// who cannot give files away and need not.
func (a account) own(path string) error {
	if !a.switched {
		return nil
	}
	return os.Chown(path, a.uid, a.gid)
}

// attributes are those of a child process: the account's identity, and a process
// group of its own, because Ctrl-C in the terminal goes to a whole group and
// would stop the server before this process has finished with it.
func (a account) attributes() *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Setpgid: true}
	if a.switched {
		attr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
	return attr
}

// role is the database user everybody becomes who is let in.
const role = "sagwatch"

// Who may log in: over the socket, whoever the operating system says is this
// process's user, the account of the server, or root (who could read every file
// anyway, and runs commands beside the service).
const hba = "# Written at each start. Local connections only; the system says who it is.\n" +
	"local all " + role + " peer map=owner\n"

func (a account) ident() (string, error) {
	me, err := userName(os.Getuid())
	if err != nil {
		return "", err
	}
	names := []string{me}
	for _, n := range []string{a.name, "root"} {
		if n != me && (len(names) == 1 || n != names[1]) {
			names = append(names, n)
		}
	}
	var b strings.Builder
	b.WriteString("# Written at each start: who may be " + role + ".\n")
	for _, n := range names {
		fmt.Fprintf(&b, "owner \"%s\" %s\n", strings.ReplaceAll(n, `"`, `""`), role)
	}
	return b.String(), nil
}
