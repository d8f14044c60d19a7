// Package planning answers for what lies ahead: service plans and classes of rig,
// bookings for work and rest, forecasts and what would be.
//
// It owns the documents of these. Days ahead come as bands (p10, p50, p90), and one
// that lies beyond what is looked at is absent.
//
// It never gives a permission: a forecast says so itself, and fitness to spray is
// asked of the rig. What would be is never written.
package planning
