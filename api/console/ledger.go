package console

var ledgerPages []page
