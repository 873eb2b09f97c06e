//go:build purego || !amd64

package lines

func add(to []Line, by *float64, byRow, byTerm int, from []Line) { addGo(to, by, byRow, byTerm, from) }
