package plan

import (
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing wrong with a file.
type Problem struct {
	File    string `json:"file"`
	Line    int    `json:"line"`  // from 1
	Field   string `json:"field"` // where in the file, tasks[2].every.hours; "" for the file as a whole
	Message string `json:"message"`
}

func (p Problem) String() string {
	if p.Field == "" {
		return fmt.Sprintf("%s:%d: %s", p.File, p.Line, p.Message)
	}
	return fmt.Sprintf("%s:%d: %s: %s", p.File, p.Line, p.Field, p.Message)
}

// Problems is everything wrong with a file, in the order of its lines.
type Problems []Problem

// Error lists all of them, one a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, problem := range p {
		lines[i] = problem.String()
	}
	return strings.Join(lines, "\n")
}

func (p Problems) inOrder() Problems {
	slices.SortStableFunc(p, func(a, b Problem) int { return a.Line - b.Line })
	return p
}
