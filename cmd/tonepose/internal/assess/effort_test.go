//go:build !slow

package assess

const weakPoses = 150
