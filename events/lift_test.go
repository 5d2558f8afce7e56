package events

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// joinedNext stands for a later version of case.joined, with one more field.
// The version between is left out on purpose: it is no newer version.
type joinedNext struct {
	OtherCase Code `wire:"other_case,required"`
	Since     Date `wire:"since"`
}

const (
	typeJoinedSkipped Type = "lensledger.case.joined.v2"
	typeJoinedNext    Type = "lensledger.case.joined.v3"
	typeJoinedFuture  Type = "lensledger.case.joined.v4"
)

// withNextVersion makes case.joined.v1 a retired version for one test.
func withNextVersion(t *testing.T) {
	oldTypes, oldPlans := types, plans
	t.Cleanup(func() { types, plans = oldTypes, oldPlans })
	next := entry[joinedNext](typeJoinedNext, AboutCase, "two case codes are the same operation")
	old, _ := Lookup(TypeCaseJoined)
	types = compileCatalogue([]Entry{next}, []Retired{{Entry: old, Lift: func(data any) (Type, any) {
		return typeJoinedNext, &joinedNext{OtherCase: data.(*CaseJoined).OtherCase}
	}}})
	plans = map[reflect.Type]*plan{}
	for _, k := range types {
		plans[k.plan.typ] = k.plan
	}
}

// An old version is lifted on reading, and keeps its identity: its hash is the
// golden one, and it is written as it was sent.
func TestOldVersionsAreLifted(t *testing.T) {
	withNextVersion(t)
	body, err := os.ReadFile(filepath.Join(goldenFolder, string(TypeCaseJoined)+".json"))
	if err != nil {
		t.Fatal(err)
	}
	wantHash, err := os.ReadFile(filepath.Join(goldenFolder, string(TypeCaseJoined)+".sha256"))
	if err != nil {
		t.Fatal(err)
	}
	e := decoded(t, string(body))
	if next, ok := e.Data.(*joinedNext); !ok || e.Type != typeJoinedNext || next.OtherCase != "TH-99172" {
		t.Errorf("lifted to %s %v", e.Type, e.Data)
	}
	if e.Hash().String() != strings.TrimSpace(string(wantHash)) {
		t.Error("lifting changes the hash")
	}
	if !strings.Contains(string(e.Encode()), string(TypeCaseJoined)) || decoded(t, string(e.Encode())).Hash() != e.Hash() {
		t.Errorf("encoded as %s", e.Encode())
	}
	header, data := e.EncodeBinary()
	if again, problems := Decode(header, data); len(problems) > 0 || again.Hash() != e.Hash() {
		t.Errorf("binary: %v", problems)
	}
	if lifted, problems := DecodeData(TypeCaseJoined, []byte(`{"other_case":"X"}`)); len(problems) > 0 || *lifted.(*joinedNext) != (joinedNext{OtherCase: "X"}) {
		t.Errorf("DecodeData: %v %v", lifted, problems)
	}
	now := decoded(t, structured(typeJoinedNext, `{"other_case":"X","since":"2025-01-01"}`))
	if now.Type != typeJoinedNext || !strings.Contains(string(now.Canonical()), "joined.v3") {
		t.Errorf("the new version: %s", now.Canonical())
	}
	for typ, code := range map[Type]string{typeJoinedFuture: CodeNewerVersion, typeJoinedSkipped: CodeUnknownType} {
		_, problems := DecodeStructured([]byte(structured(typ, `{}`)))
		if len(problems) != 1 || problems[0].Code != code || code == CodeNewerVersion && !strings.Contains(problems[0].Detail, "up to version 3") {
			t.Errorf("%s: %v", typ, problems)
		}
	}
}
