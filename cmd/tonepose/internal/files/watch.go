package files

// Watch has f told of each change of a name before it is made, and of what is flushed, until
// end is called: tests end a run there.
func Watch(f func(step string, names ...string)) (end func()) {
	before := at
	at = f
	return func() { at = before }
}
