package trend

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// huberK gives 95 % efficiency at the normal distribution (Huber 1981, Robust Statistics).
const huberK = 1.345

// robustFit is a linear model fitted by iteratively reweighted least squares.
type robustFit struct {
	coef       []float64
	covariance *mat.SymDense
	scale      float64
	iterations int
}

// leastSquares solves min |√w(y − Xb)|² by Householder QR, which keeps digits that the normal equations lose.
func leastSquares(x *mat.Dense, y, weight []float64) ([]float64, *mat.QR, error) {
	n, k := x.Dims()
	xw, yw := mat.NewDense(n, k, nil), mat.NewVecDense(n, nil)
	for i := range n {
		root := 1.0
		if weight != nil {
			root = math.Sqrt(weight[i])
		}
		for j := range k {
			xw.Set(i, j, x.At(i, j)*root)
		}
		yw.SetVec(i, y[i]*root)
	}
	var qr mat.QR
	qr.Factorize(xw)
	var b mat.VecDense
	if err := qr.SolveVecTo(&b, false, yw); err != nil {
		return nil, nil, fmt.Errorf("fit %d rows by least squares: %w", n, err)
	}
	return b.RawVector().Data, &qr, nil
}

// huber fits y = Xb by Huber's M-estimate, starting from least squares; the spread is the median absolute residual / 0.6745,
// taken anew in each step. Standard errors: Huber (1981), formula 7.6.2, as is usual for this estimate.
func huber(x *mat.Dense, y []float64) (robustFit, error) {
	n, k := x.Dims()
	coef, qr, err := leastSquares(x, y, nil)
	if err != nil {
		return robustFit{}, err
	}
	residual, weight := make([]float64, n), make([]float64, n)
	fit := robustFit{coef: coef}
	const mostSteps, agree = 400, 1e-11
	for fit.iterations = 1; fit.iterations <= mostSteps; fit.iterations++ {
		residuals(residual, x, y, fit.coef)
		fit.scale = medianAbs(residual) / 0.6745
		if fit.scale <= 1e-12*(1+medianAbs(y)) {
			break
		}
		for i, r := range residual {
			weight[i] = min(1, huberK*fit.scale/math.Abs(r))
		}
		next, _, err := leastSquares(x, y, weight)
		if err != nil {
			return robustFit{}, err
		}
		moved, size := 0.0, 0.0
		for j := range next {
			moved += (next[j] - fit.coef[j]) * (next[j] - fit.coef[j])
			size += next[j] * next[j]
		}
		fit.coef = next
		if moved <= agree*agree*size {
			break
		}
	}
	residuals(residual, x, y, fit.coef)
	fit.covariance = huberCovariance(qr, residual, fit.scale, n, k)
	return fit, nil
}

func huberCovariance(qr *mat.QR, residual []float64, scale float64, n, k int) *mat.SymDense {
	var r mat.Dense
	qr.RTo(&r)
	top := mat.DenseCopyOf(r.Slice(0, k, 0, k))
	var rInv mat.Dense
	cov := mat.NewSymDense(k, nil)
	if rInv.Inverse(top) != nil {
		return cov
	}
	psi2, inside := 0.0, 0
	for _, e := range residual {
		u := e
		if scale > 0 && math.Abs(e) > huberK*scale {
			u = math.Copysign(huberK*scale, e)
		} else {
			inside++
		}
		psi2 += u * u
	}
	mean := float64(inside) / float64(n)
	correction := 1 + float64(k)/float64(n-1)*(1-mean)/mean
	v := correction * correction * psi2 / float64(max(1, n-k)) / (mean * mean)
	var xtx mat.Dense
	xtx.Mul(&rInv, rInv.T())
	for i := range k {
		for j := i; j < k; j++ {
			cov.SetSym(i, j, v*xtx.At(i, j))
		}
	}
	return cov
}

func residuals(into []float64, x *mat.Dense, y, coef []float64) {
	for i := range into {
		into[i] = y[i]
		for j, b := range coef {
			into[i] -= x.At(i, j) * b
		}
	}
}

func medianAbs(x []float64) float64 {
	a := make([]float64, len(x))
	for i, v := range x {
		a[i] = math.Abs(v)
	}
	return median(a)
}

// median sorts x. It is NaN for no numbers.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	slices.Sort(x)
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}
