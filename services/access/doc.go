// Package access is part of step 6 of an event's way: it decides who may see
// what. A token says who asks; one literal table, Matrix, says which role may
// use which route and which rows it then sees. The database's row policies stand
// below it and say the same again.
package access
