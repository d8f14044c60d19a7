package api

import (
	"embed"
	"net/http"
)

//go:embed openapi.yaml
var openapiText []byte

//go:embed asyncapi.yaml
var asyncapiText []byte

// schemaFiles are JSON Schemas (2020-12) of what rigs publish and of a plan.
// Their addresses stay; a new shape gets a new name.
//
//go:embed schemas/*.json
var schemaFiles embed.FS

func openapi(c *call) error { return fixed(c, "application/yaml", openapiText) }

func asyncapi(c *call) error { return fixed(c, "application/yaml", asyncapiText) }

func schema(c *call) error {
	text, err := schemaFiles.ReadFile("schemas/" + c.Param("schema"))
	if err != nil {
		return notFound("schema", c.Param("schema"))
	}
	return fixed(c, "application/schema+json", text)
}

// fixed answers with what changes with the program alone.
func fixed(c *call, kind string, text []byte) error {
	c.setHeader("Cache-Control", "no-cache")
	return c.bytes(http.StatusOK, kind, text)
}
