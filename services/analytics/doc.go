// Package analytics is step 6 of an event's way (event, stream, fold, rows,
// measure, API): the answers over HTTP. Rows and measures come before it, pages
// and programs after. Its handlers read a request, ask the read models as the
// person who asks, and word what they say; no rule about cases is made here.
//
// openapi.yaml, written by hand, is the contract. A test holds the routes to it
// in both directions.
package analytics
