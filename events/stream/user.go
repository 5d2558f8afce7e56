package stream

import (
	"errors"
	"fmt"
	"strings"
)

// User is someone who may connect to the server: by a name and password, or by
// the public key of an nkey.
type User struct {
	Name     string // with Password; it also names the user's inbox
	Password string
	NKey     string // public key, "U...", instead of a name and password

	Permissions Permissions // empty: everything within the registry's account but erasing
}

// Permissions list the subjects a user may publish on and subscribe to; all
// others are denied.
type Permissions struct{ Publish, Subscribe []string }

// InboxPrefix is where a user's answers arrive. Each user has a prefix of its
// own, so that nobody listens to another's answers; Config.InboxPrefix of a
// connection must be the same.
func InboxPrefix(name string) string { return "_INBOX_" + name }

// PublisherPermissions let a publisher send events under its own source and
// hear the acknowledgements, and nothing else: no stream or consumer calls, no
// reading, no other source. name is the user's name, or any word of its own
// when it connects by nkey.
func PublisherPermissions(name, source string) Permissions {
	return Permissions{
		Publish:   []string{subjectPrefix + source + ".>"},
		Subscribe: []string{InboxPrefix(name) + ".>"},
	}
}

// ProjectorPermissions let a projector check the stream and read it, and
// neither publish an event nor change the stream.
func ProjectorPermissions(name string) Permissions {
	return Permissions{
		Publish: []string{
			"$JS.API.STREAM.INFO." + StreamName,
			"$JS.API.STREAM.MSG.GET." + StreamName,
			"$JS.API.CONSUMER.CREATE." + StreamName + ".>",
			"$JS.API.CONSUMER.INFO." + StreamName + ".>",
			"$JS.API.CONSUMER.MSG.NEXT." + StreamName + ".>",
		},
		Subscribe: []string{InboxPrefix(name) + ".>"},
	}
}

// BackupPermissions let a backup read the whole stream as a snapshot, and nothing
// else.
func BackupPermissions(name string) Permissions {
	return Permissions{
		Publish:   []string{subjectInfo, subjectSnapshot, subjectSnapshotAcks},
		Subscribe: []string{InboxPrefix(name) + ".>"},
	}
}

// RestorePermissions let a restore remove the stream, make it anew, fill it from a
// snapshot or from the archive, and read what it holds. They are power over the whole
// record: for the hour of a restore, and nobody's daily credential.
func RestorePermissions(name string) Permissions {
	p := ProjectorPermissions(name)
	p.Publish = append(p.Publish, subjectDelete, "$JS.API.STREAM.CREATE."+StreamName, subjectRestore, subjectRestoreChunks, subjectFilter)
	return p
}

// ErasePermissions let the one credential that erases read the stream, store what
// replaces a message, and delete messages. Nobody else may do either of the last
// two, whatever else is allowed.
func ErasePermissions(name string) Permissions {
	p := ProjectorPermissions(name)
	p.Publish = append(p.Publish, deleteSubject, erasedPrefix+">")
	return p
}

// eraseOnly are the subjects that only ErasePermissions cover. The second is the
// first for a client that names a JetStream domain.
var eraseOnly = []string{deleteSubject, "$JS.*.API.STREAM.MSG.DELETE." + StreamName, erasedPrefix + ">"}

// configLine writes the user in the server's configuration language.
func (u User) configLine() (string, error) {
	var b strings.Builder
	switch {
	case u.NKey != "" && u.Name == "" && u.Password == "":
		if !isCode(u.NKey) {
			return "", errors.New("user: the nkey isn't a public key")
		}
		fmt.Fprintf(&b, "{ nkey: %s", u.NKey)
	case u.NKey == "" && isCode(u.Name) && u.Password != "":
		password, err := quote(u.Password)
		if err != nil {
			return "", fmt.Errorf("user %s: password: %w", u.Name, err)
		}
		fmt.Fprintf(&b, "{ user: %q, password: %s", u.Name, password)
	default:
		return "", fmt.Errorf("user %q: needs either a name of [A-Za-z0-9_-] and a password, or an nkey", u.Name)
	}
	if u.Permissions.Publish != nil || u.Permissions.Subscribe != nil {
		publish, err := quoteAll(u.Permissions.Publish)
		if err != nil {
			return "", fmt.Errorf("user %s: publish: %w", u.Name, err)
		}
		subscribe, err := quoteAll(u.Permissions.Subscribe)
		if err != nil {
			return "", fmt.Errorf("user %s: subscribe: %w", u.Name, err)
		}
		fmt.Fprintf(&b, ", permissions: { publish: { %s }, subscribe: { %s } }", publish, subscribe)
	} else {
		denied, err := quoteList(eraseOnly)
		if err != nil {
			return "", fmt.Errorf("user %s: %w", u.Name, err)
		}
		fmt.Fprintf(&b, ", permissions: { publish: { allow: [\">\"], deny: %s } }", denied)
	}
	b.WriteString(" }")
	return b.String(), nil
}

// quoteAll writes a rule that allows the subjects given and denies the rest; an
// empty list denies everything, which needs a rule of its own.
func quoteAll(subjects []string) (string, error) {
	if len(subjects) == 0 {
		return `deny: [">"]`, nil
	}
	list, err := quoteList(subjects)
	return "allow: " + list, err
}

func quoteList(subjects []string) (string, error) {
	quoted := make([]string, len(subjects))
	for i, s := range subjects {
		q, err := quote(s)
		if err != nil {
			return "", err
		}
		quoted[i] = q
	}
	return "[" + strings.Join(quoted, ", ") + "]", nil
}

// quote writes a string of the configuration language. Characters that could end
// the string are refused, not escaped: neither subjects nor passwords need them.
func quote(s string) (string, error) {
	for _, r := range s {
		if r < ' ' || r > '~' || r == '"' || r == '\\' {
			return "", fmt.Errorf("character %q is not allowed", r)
		}
	}
	return `"` + s + `"`, nil
}
