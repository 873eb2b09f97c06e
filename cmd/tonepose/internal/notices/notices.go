// Package notices holds the licences of what is linked into the program. .ci/notices writes them from the modules
// that are linked on every platform of a release, and the checks compare them.
package notices

import _ "embed"

// Text is for the reader of a terminal, and beside the program in a release.
//
//go:embed NOTICES.txt
var Text string
