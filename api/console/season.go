package console

var seasonPages []page
