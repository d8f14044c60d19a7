package fleetxml

import (
	"fmt"
	"time"
)

// The namespaces written. Readers go by local names.
const (
	Namespace     = "http://standards.iso.org/iso/15143/-3"
	AreaNamespace = "urn:rigledger:fleet:1" // CumulativeArea: hectares
)

// PageSize is how many machines or data stand on a page (ISO/TS 15143-3).
const PageSize = 100

// Snapshot is a page of a fleet: the newest datum of each kind for each machine. Times are
// written to the second.
type Snapshot struct {
	Version   string // of the schema; "1" when empty
	Time      time.Time
	Links     []Link
	Equipment []Equipment
}

// Link leads to another page: Rel is self, prev, next or last (first is read too).
type Link struct{ Rel, Href string }

// Header says which machine it is.
type Header struct {
	UnitInstalled time.Time // UnitInstallDateTime; zero when not known
	OEMName       string    // maker
	Model         string
	EquipmentID   string // the fleet's own code of the machine: rigledger's rig
	SerialNumber  string
	PIN           string
}

// Equipment is one machine. A datum that is not known is nil.
type Equipment struct {
	Header         Header
	Location       *Location
	OperatingHours *Hours    // CumulativeOperatingHours
	PTOHours       *Hours    // CumulativePowerTakeOffHours
	IdleHours      *Hours    // CumulativeIdleHours
	Distance       *Distance // Distance: Odometer
	Area           *Area     // CumulativeArea, own namespace
}

// Hours is a cumulative count of time.
type Hours struct {
	At      time.Time
	Seconds int64
}

// Distance is what an odometer shows.
type Distance struct {
	At     time.Time
	Metres int64
}

// Area is a cumulative count of area.
type Area struct {
	At           time.Time
	SquareMetres int64
}

// Location is where a machine was, in degrees WGS 84.
type Location struct {
	At       time.Time
	Lat, Lon float64
}

// Problem is something in a document that could not be read.
type Problem struct {
	Equipment string // EquipmentID or SerialNumber, or the place in the document: "equipment 3"
	Field     string // element
	Why       string
}

func (p Problem) String() string { return p.Equipment + ", " + p.Field + ": " + p.Why }

// Problems of a document, in its order.
type Problems []Problem

// maxProblems bounds what is listed; one more says that there were more.
const maxProblems = 1000

func (p *Problems) add(where, field, why string, a ...any) {
	switch {
	case len(*p) < maxProblems:
		*p = append(*p, Problem{where, field, fmt.Sprintf(why, a...)})
	case len(*p) == maxProblems:
		*p = append(*p, Problem{where, field, "more problems than are listed"})
	}
}

// PageCount is how many pages n machines or data need; one when there are none.
func PageCount(n int) int { return max(1, (n+PageSize-1)/PageSize) }

// PageOf is the part of a list on a page (the first is 1), and whether there is such a page.
func PageOf[T any](list []T, page int) ([]T, bool) {
	if page < 1 || page > PageCount(len(list)) {
		return nil, false
	}
	from := (page - 1) * PageSize
	return list[from:min(from+PageSize, len(list))], true
}

// PageLinks are the links of a page: self, prev and next where there is one, and last. href makes
// the address of a page.
func PageLinks(page, pages int, href func(page int) string) []Link {
	links := []Link{{"self", href(page)}}
	if page > 1 {
		links = append(links, Link{"prev", href(page - 1)})
	}
	if page < pages {
		links = append(links, Link{"next", href(page + 1)})
	}
	return append(links, Link{"last", href(pages)})
}
