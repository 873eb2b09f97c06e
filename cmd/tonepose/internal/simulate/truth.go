package simulate

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"strconv"

	"tonepose/fieldmodels/rigid"

	"tonepose/cmd/tonepose/internal/tables"
)

// writeTruth writes the poses of all tracks: a row a station, or 200 a second also where
// a scene carries a sensor away from its stations.
func writeTruth(ctx context.Context, to io.Writer, p *Path, g *Generator, duration float64) error {
	w := bufio.NewWriter(to)
	if p.Tracks[0].Stations != nil && !g.carried() {
		fmt.Fprintln(w, "station,start_s,stop_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz")
		for i := range p.Tracks {
			for n, s := range p.Tracks[i].Stations {
				if s.Stop <= duration {
					fmt.Fprintf(w, "%d,%.6f,%.6f,%s,%s\n", n+1, s.Start, s.Stop, tables.Cell(p.Tracks[i].Sensor), appendPose(nil, s.Pose))
				}
			}
		}
		return w.Flush()
	}
	fmt.Fprintln(w, "time_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz")
	var line []byte
	for k := 0; k <= int(math.Floor(duration*truthRateHz+1e-9)); k++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		t := float64(k) / truthRateHz
		for i := range p.Tracks {
			line = append(strconv.AppendFloat(line[:0], t, 'f', 6, 64), ',')
			line = append(append(line, tables.Cell(p.Tracks[i].Sensor)...), ',')
			line = append(appendPose(line, g.Pose(i, t)), '\n')
			if _, err := w.Write(line); err != nil {
				return err
			}
		}
	}
	return w.Flush()
}

// appendPose has the quaternion of the pair ±q with qw ≥ 0.
func appendPose(line []byte, p rigid.Pose) []byte {
	q, sign := p.Rotation, 1.0
	if q.Real < 0 {
		sign = -1
	}
	for i, v := range [7]float64{p.Position.X, p.Position.Y, p.Position.Z, sign * q.Real, sign * q.Imag, sign * q.Jmag, sign * q.Kmag} {
		digits := 10
		if i >= 3 {
			digits = 12
		}
		if i > 0 {
			line = append(line, ',')
		}
		line = strconv.AppendFloat(line, v, 'f', digits, 64)
	}
	return line
}

// writeIntervals writes the stations' times without their poses.
func writeIntervals(to io.Writer, p *Path, duration float64) error {
	w := bufio.NewWriter(to)
	fmt.Fprintln(w, "start_s,stop_s,sensor")
	for i := range p.Tracks {
		for _, s := range p.Tracks[i].Stations {
			if s.Stop <= duration {
				fmt.Fprintf(w, "%.6f,%.6f,%s\n", s.Start, s.Stop, tables.Cell(p.Tracks[i].Sensor))
			}
		}
	}
	return w.Flush()
}
