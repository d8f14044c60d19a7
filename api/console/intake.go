package console

var intakePages []page
