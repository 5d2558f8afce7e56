package measure

// Rate is a number of events among n cases, as a proportion from 0 to 1, with
// two 95 % intervals: Wilson's for reading, the exact one for comparing.
type Rate struct {
	Events int      `json:"events"`
	N      int      `json:"n"`
	Rate   float64  `json:"rate"`
	Wilson Interval `json:"interval_95"`
	Exact  Interval `json:"interval_95_exact"`
}

// NewRate gives the rate of events among n cases. It fails with ErrNoCases when
// n is 0: nothing observed is not a rate of 0.
//
// Source: Newcombe RG. Stat Med 1998;17:857-872, methods 3 and 5.
func NewRate(events, n int) (Rate, error) {
	wilson, err := Wilson(events, n, 0.95)
	if err != nil {
		return Rate{}, err
	}
	exact, err := ClopperPearson(events, n, 0.95)
	if err != nil {
		return Rate{}, err
	}
	return Rate{Events: events, N: n, Rate: float64(events) / float64(n), Wilson: wilson, Exact: exact}, nil
}
