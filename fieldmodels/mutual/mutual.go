// Package mutual is the one model of the coupling between driven coils and
// pickups: Sensor and Coil describe what picks up, fieldmodels.Array what drives.
package mutual
