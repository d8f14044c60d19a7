package taskdata

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"
)

// Report is what one set of task data holds, device by device.
type Report struct {
	Version string // "4.3": VersionMajor and VersionMinor
	Devices []Device
	Skipped []Skip
}

// Key identifies a device in the world.
type Key struct {
	Name   string // the ISO 11783-5 NAME, 16 upper-case hexadecimal digits (DVC D)
	Serial string // DVC E; may be empty
}

func (k Key) String() string {
	if k.Serial == "" {
		return k.Name
	}
	return k.Name + "/" + k.Serial
}

// Device is one machine and what it counted. Readings are in order of measure and time, Totals
// of task and measure.
type Device struct {
	Key
	Designator string
	LocalID    string // DVC A of this file: for messages only
	Readings   []Reading
	Totals     []Total
	Sources    []Source
}

// Class is the device class of the NAME (ISO 11783-5): the upper seven bits of its second byte.
func (d Device) Class() int { return classOf(d.Name) }

// SprayerClass is the device class of sprayers (ISO 11783-1 annex on NAME, class 6).
const SprayerClass = 6

// Amount is so much of a quantity in its base unit (Quantity.Unit).
type Amount struct {
	Quantity Quantity
	Base     int64
}

// Reading is a lifetime counter at a time: a meter reading.
type Reading struct {
	Measure Measure
	Amount
	At       time.Time // UTC, milliseconds
	Elements []string  // device elements (DET A) it was read from
	Suspect  string    // why it belongs in quarantine; empty when nothing speaks against it
	ID       string    // the same reading of the same device has the same ID in every file
	Fix      bool      // Lat and Lon are where it was, in degrees; they are 0, 0 in a log without positions
	Lat, Lon float64
}

// Task is the job a total belongs to.
type Task struct {
	ID         string // TSK A, local to the terminal
	Designator string // TSK B
	Field      string // designator of the field (PFD C), else the field's id, else empty
	Status     string // TSK G
	From       time.Time
}

// Total is what a device counted over a task up to At. It replaces an earlier total of the same
// Task.ID and From; it never adds to it.
type Total struct {
	Task    Task
	Measure Measure
	Amount
	At          time.Time
	Days        []Day // gains by day, for records; their sum is at most Base less what was on it when the file begins
	Elements    []string
	Suspect     string
	Notes       []string
	Fingerprint string // of this device in this task: the same file again gives the same
}

// Day is the gain of a total on one calendar day in the zone of the reader.
type Day struct {
	Date string // 2026-05-04
	Base int64
}

// Source is a task or a log that gave something for a device.
type Source struct {
	Task, Log   string // TSK A, and TLG A when it is a log
	Records     int    // records (of a log) or intervals (of a task) read
	Fingerprint string // 64 hexadecimal digits
}

// Skip is something that was passed over.
type Skip struct {
	Where, Why string
	Count      int
}

// skips gathers what was passed over, alike ones together, a bounded number of kinds.
type skips struct {
	list  []Skip
	index map[[2]string]int
}

const maxSkipKinds = 500

func (s *skips) add(where, why string, a ...any) {
	if len(a) > 0 {
		why = fmt.Sprintf(why, a...)
	}
	if s.index == nil {
		s.index = map[[2]string]int{}
	}
	key := [2]string{where, why}
	if i, ok := s.index[key]; ok {
		s.list[i].Count++
		return
	}
	if len(s.list) >= maxSkipKinds {
		key = [2]string{"file", "more kinds of skipped things than are listed here"}
		if i, ok := s.index[key]; ok {
			s.list[i].Count++
			return
		}
	}
	s.index[key] = len(s.list)
	s.list = append(s.list, Skip{key[0], key[1], 1})
}

// fingerprint hashes parts so that no two lists of parts look alike.
func fingerprint(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d:", len(p))
		h.Write([]byte(p))
	}
	return hex.EncodeToString(h.Sum(nil))
}

// classOf is the device class in a NAME of 16 hexadecimal digits, or -1.
func classOf(name string) int {
	b, err := hex.DecodeString(name)
	if err != nil || len(b) != 8 {
		return -1
	}
	return int(b[1] >> 1)
}
