// Package web is part of step 6 of an event's way: the plumbing that every HTTP
// service of the registry shares. Measures (step 5) come before it, clients
// after it. It knows problems, requests and their metrics, and nothing about
// cases or who may see them.
package web
