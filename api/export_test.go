package api

import (
	"github.com/gin-gonic/gin"

	"rigledger/api/call"
	"rigledger/fleet"
)

// Row is a line of the table of routes, for tests that walk it.
type Row struct {
	Method, Path string
	Roles        []fleet.Role
	Query        []string
}

// Table is the table of routes.
func (a *API) Table() (rows []Row) {
	for _, r := range a.routes() {
		rows = append(rows, Row{r.method, r.path, r.roles, r.query})
	}
	return rows
}

// Served is everything that is answered, in the table or not.
func (a *API) Served() gin.RoutesInfo { return a.engine.Routes() }

// Mount serves one more address to every token.
func (a *API) Mount(path string, handle func(c *call.Call) error) {
	a.engine.GET(path, a.reception.Serve(anyone, nil, handle))
}
