package console

var accessPages []page
