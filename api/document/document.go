package document

import (
	"embed"
	"net/http"

	"rigledger/api/call"
)

//go:embed openapi.yaml
var OpenAPI []byte

//go:embed asyncapi.yaml
var AsyncAPI []byte

// Schemas are JSON Schemas (2020-12) of what rigs publish and of a plan.
// Their addresses stay; a new shape gets a new name.
//
//go:embed schemas/*.json
var Schemas embed.FS

// GetOpenAPI answers GET /openapi.yaml.
func GetOpenAPI(c *call.Call) error { return fixed(c, "application/yaml", OpenAPI) }

// GetAsyncAPI answers GET /asyncapi.yaml.
func GetAsyncAPI(c *call.Call) error { return fixed(c, "application/yaml", AsyncAPI) }

// GetSchema answers GET /schemas/{schema}.
func GetSchema(c *call.Call) error {
	text, err := Schemas.ReadFile("schemas/" + c.Param("schema"))
	if err != nil {
		return call.NoSuch("schema", c.Param("schema"))
	}
	return fixed(c, "application/schema+json", text)
}

// fixed answers with what changes with the program alone.
func fixed(c *call.Call, kind string, text []byte) error {
	c.SetHeader("Cache-Control", "no-cache")
	return c.Bytes(http.StatusOK, kind, text)
}
