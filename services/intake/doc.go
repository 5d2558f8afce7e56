// Package intake is the door of step 6 through which events come over HTTP: it
// reads them in any of the CloudEvents forms, has package events (step 1) check
// them, refuses what is wrong or somebody else's, and hands the rest, byte for
// byte as received, to the stream (step 2). It keeps nothing itself; with a spool, what the stream
// doesn't take for the moment is kept there.
package intake
