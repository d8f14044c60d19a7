package console

var workshopPages []page
