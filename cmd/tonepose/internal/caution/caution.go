// Package caution holds the line that stands on whatever drives coils, or asks somebody to.
package caution

// Standing is that line. It refers to those who decide: it is no safety assessment.
const Standing = "Driven coils get hot and can burn, and their fields can disturb implants: keep people with implants away, begin at a low level, watch current and temperature. Local codes and licensed practice decide; clinical use is out of scope."
