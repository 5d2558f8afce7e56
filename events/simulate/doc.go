// Package simulate makes the events of an INVENTED registry: three departments
// that don't exist, their surgeons, trainees, patients and implants. Nothing in
// it is a real person, place, device or figure, and whatever shows its output
// must say so (see Invented).
//
// It stands before step 1, the event: it plays the publishers, so its output
// goes through intake or straight to the stream like anyone else's, with late
// arrivals, events sent twice, corrections and conflicts.
//
// What it plays is the whole path of an eye: booking, assessment, calculation of
// the implant, the operation step by step, teaching, and follow-up with what is
// late, missing, corrected or under the wrong eye. Scenario.Summary tells the
// truth behind it. The operations come from one stream of random numbers for
// each department; everything beside them comes from streams of its own by case
// and purpose (course.go), so that adding to it leaves the operations as they are.
//
// The same seed gives the same events on every machine: the random numbers come
// from math/rand/v2's PCG, arithmetic is limited to operations that IEEE 754
// rounds in one way only, and no clock or map order is read. (Expected counts in
// the summary use math.Erfc; they are for reading, not for hashing.)
//
// Every constant says where it comes from: "clinic rule" is one of this
// registry's written settings for the demo, chosen so that the demo looks
// plausible; "common practice, no source" is a trade fact without a source; a
// published value names its publication.
package simulate

// Invented is the notice to show with every output made from these events.
const Invented = "Invented demonstration data: no real person, patient, department or device."
