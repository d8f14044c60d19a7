// Package receive brings what was read from other people's formats to the
// meters of the rigs, and tells device by device what became of it.
//
// It owns the answer to two questions: which rig a device is, and which of the
// rig's meters a counter is. It never reads a file, never decides whether a
// reading is plausible (the desk does), and never adds anything to a meter: a
// lifetime counter is a reading of the meter, the total of a task is a report.
//
// # Which rig
//
// A device of task data is the rig that the caller's table names for its serial
// number or its NAME, else the one rig in service with that serial number. A
// machine of fleet data is the rig whose code is its EquipmentID, else the one
// with its serial number. Where there is none, or more than one, the device is
// passed over and the report says so.
//
// # Which meter
//
// Of task data: "working time" is the rig's hour meter that runs whenever the
// machine does, "effective time" the one that runs while spraying only, "area"
// and "applied volume" the meter of that quantity. Effective and ineffective
// distance, engine, PTO and ineffective time and fuel count what no meter here
// counts: they are reported and not taken. Of fleet data: operating hours, and
// distance and hectares where the rig has the meter. A rig with two meters that
// it could be is a question for a person: it is passed over.
//
// # Twice
//
// Nothing is written before all is understood. A reading's event id is made of
// the device and the reading itself, and a device's readings that were all
// taken are noted by their digest, so the same file a second time writes nothing.
package receive
