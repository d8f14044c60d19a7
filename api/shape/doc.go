// Package shape has what several rooms of the API show alike: how quantities, times,
// limits, due lines and facts look in JSON.
//
// It owns names and units on the way out. Amounts are in the units of the trade
// (hours, hectares, litres), made of the base units of the ledger without floats; a
// time is RFC 3339 in UTC; what is not there is left out, and a list is never null.
// A fact is shown without secrets and raw messages.
//
// It never reads a request, never looks at who asks, and never changes anything.
package shape
