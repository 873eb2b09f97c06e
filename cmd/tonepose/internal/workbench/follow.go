package workbench

// FollowOptions say which stream is followed, and how.
type FollowOptions struct{}
