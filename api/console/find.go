package console

var findPages []page
