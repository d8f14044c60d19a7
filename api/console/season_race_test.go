//go:build race

package console_test

const slowdown = 20
