package api

import (
	"embed"
	"net/http"

	"github.com/gin-gonic/gin"
)

// schemaFiles are JSON Schemas (2020-12) of what rigs publish and of a plan.
// Their addresses stay; a new shape gets a new name.
//
//go:embed schemas/*.json
var schemaFiles embed.FS

func (a *API) schema(g *gin.Context) {
	text, err := schemaFiles.ReadFile("schemas/" + g.Param("schema"))
	if err != nil {
		a.refuse(g, notFound("schema", g.Param("schema")))
		return
	}
	g.Header("Cache-Control", "no-cache")
	g.Data(http.StatusOK, "application/schema+json", text)
}
