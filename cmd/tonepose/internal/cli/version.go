package cli

import "runtime/debug"

// version names the build: the module's version, or its revision.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "tonepose"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return "tonepose " + s.Value
		}
	}
	return "tonepose " + info.Main.Version
}
