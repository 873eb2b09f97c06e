//go:build slow

package assess

const weakPoses = 3000
