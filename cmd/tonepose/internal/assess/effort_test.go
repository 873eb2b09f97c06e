//go:build !slow

package assess_test

const weakPoses = 150
