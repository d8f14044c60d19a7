package console

var startPages []page
