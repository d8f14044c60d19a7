// Package systemd holds the unit and the settings with which rigledger runs as a
// system service. Its test holds them against the program's flags.
package systemd
