package kernel

import "math"

// DipoleRows fills rows[e·len(coils)+c] from emitters[e], coils[c] and
// data[e·len(coils)+c]. With d from the emitter to the coil, m the scaled
// moment, n the scaled axis and a the arm,
//
//	M      = 3 (m·d)(n·d)/d⁵ − (m·n)/d³
//	∂M/∂x  = g = 3 [(n·d) m + (m·d) n + (m·n) d]/d⁵ − 15 (m·d)(n·d) d/d⁷
//	∂M/∂δ  = n × B + a × g
//
// (Jackson, Classical Electrodynamics, section 5.6, and its gradient.)
func DipoleRows(rows []Row, emitters []Dipole, coils []Point, data []Datum) {
	n := len(emitters) * len(coils)
	if n == 0 {
		return
	}
	dipoleRows(rows[:n], emitters, coils, data[:n])
}

func dipoleRowsGo(rows []Row, emitters []Dipole, coils []Point, data []Datum) {
	for e := range emitters {
		for c := range coils {
			k := e*len(coils) + c
			dipoleRowGo(&rows[k], &emitters[e], &coils[c], &data[k])
		}
	}
}

func dipoleRowGo(row *Row, em *Dipole, co *Point, da *Datum) {
	nx, ny, nz := co[3], co[4], co[5]
	ax, ay, az := co[6], co[7], co[8]
	for l := range Lanes {
		dx, dy, dz := co[0]-em[0][l], co[1]-em[1][l], co[2]-em[2][l]
		mx, my, mz := em[3][l], em[4][l], em[5][l]
		i2 := 1 / (dx*dx + dy*dy + dz*dz)
		i3 := i2 * math.Sqrt(i2)
		i5 := 3 * i3 * i2
		md, nd, mn := mx*dx+my*dy+mz*dz, nx*dx+ny*dy+nz*dz, mx*nx+my*ny+mz*nz
		b := md * i5
		bx, by, bz := b*dx-i3*mx, b*dy-i3*my, b*dz-i3*mz
		gm := nd * i5
		gd := i5 * (mn - 5*md*nd*i2)
		gx, gy, gz := gm*mx+b*nx+gd*dx, gm*my+b*ny+gd*dy, gm*mz+b*nz+gd*dz
		s := da[1][l]
		row[0][l], row[1][l], row[2][l] = s*gx, s*gy, s*gz
		row[3][l] = s * (ny*bz - nz*by + ay*gz - az*gy)
		row[4][l] = s * (nz*bx - nx*bz + az*gx - ax*gz)
		row[5][l] = s * (nx*by - ny*bx + ax*gy - ay*gx)
		row[6][l] = s * (b*nd - i3*mn - da[0][l])
	}
}
