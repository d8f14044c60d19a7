package console

var rigPages []page
