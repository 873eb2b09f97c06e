// Package present shows results: tables and lines for people, and one form of
// JSON for programs. It computes nothing and opens no file.
//
// JSON encodes the result of every command. In it a pose is
//
//	{"position_m": [x, y, z], "quaternion": [w, x, y, z]}
//
// with "sigma_position_m" and "sigma_rotation_rad" beside where they are known;
// an interval is {"low": a, "high": b}; a rotation is the vector [x, y, z] in
// radians along its axis, and an orientation a quaternion; what is no number is
// null.
//
// Number, Quantity, PlusMinus and Estimate print single values.
package present
