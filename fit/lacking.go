package fit

import "gonum.org/v1/gonum/mat"

// lacking returns the derivative of the impedance of v at t to what its
// suspension may do beside its model, in standard deviations.
func (v *form) lacking(t tone) (d complex128) {
	var z complex128
	for k := range v.Resonances {
		one, _ := v.held[k].resonance(t, v.q[k], v.r[k], v.turn[k], nil, nil)
		z += one
		// With Z = top/(1 + ... - j q k/u), dZ/dk = Z^2/top j q/u.
		lag := v.q[k] * v.f[k] / t.hz
		d += one * one * inverse(complex(v.r[k], -v.turn[k]*lag)) * complex(0, lag) * suspensions[v.Suspension].lacks(t.hz, v.f[k])
	}
	z += v.coilZ(&v.coil, t, nil)
	if v.Padded {
		share := complex(v.pad, 0) * inverse(z+complex(v.pad, 0))
		d *= share * share
		z *= share
	}
	if v.blocked {
		z += complex(0, -1/(t.w*v.farad))
	}
	if v.bypassed {
		share := inverse(1 + complex(0, t.w*v.bypass)*(z+complex(v.re, 0)))
		d *= share * share
	}
	return d
}

// addLacking adds to u, the uncertainty of the parameters of t, what comes of
// a part that its suspension may have and lacks. A stiffness that gives way says
// that there is a box or a suspension with losses, and often there are both. The
// one that the model has takes most of the other onto itself and lets Re take the
// rest: below the resonance a leak reads like a resistance. The part has a prior
// of unit variance, which the residual cuts down as far as it can tell the part
// from the parameters; its mean square is what counts.
func (s *search) addLacking(t *trial, u spread) {
	if suspensions[t.Suspension].lacks == nil {
		return
	}
	v := t.at(t.p)
	part := make([]complex128, len(s.tones))
	for i, tn := range s.tones {
		part[i] = v.lacking(tn)
	}
	seen := t.whitened(part)
	var along, taken, moves mat.VecDense
	along.MulVec(u.q.T(), seen)
	if err := moves.SolveVec(u.r, &along); err != nil && !poor(err) {
		return
	}
	taken.MulVec(u.q, &along)
	seen.SubVec(seen, &taken)
	residual := t.whitened(t.residual)
	if len(s.c.Shared) > 0 {
		s.takeOffShared(t, u.q, residual)
	}
	information := 1 + mat.Dot(seen, seen)/s.memory
	mean := mat.Dot(seen, residual) / s.memory / information
	u.sigma.SymRankOne(u.sigma, mean*mean+1/information, &moves)
}
