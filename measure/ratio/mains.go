package ratio

const (
	mainsHarmonics = 20  // looked for, of 50 and of 60 Hz
	mainsReachHz   = 0.5 // how far the mains may be off its nominal frequency
	followedHz     = 0.1 // how far a harmonic may be off once a lower one is known
)

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
