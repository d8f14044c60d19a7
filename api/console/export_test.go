package console

// PagePaths gives the address of every page, for tests from outside.
func PagePaths() (paths []string) {
	for _, p := range pages() {
		paths = append(paths, p.path)
	}
	return paths
}
