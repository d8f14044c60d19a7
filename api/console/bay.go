package console

var bayPages []page
