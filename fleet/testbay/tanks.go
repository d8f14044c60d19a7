package testbay

// RinseTank compares the rinse tank with the main tank, or, when that fails,
// with the residual that can be diluted.
type RinseTank struct {
	NominalTankL float64  `json:"nominal_tank_l"`
	RinseTankL   float64  `json:"rinse_tank_l"`
	ResidualL    *float64 `json:"dilutable_residual_l,omitempty"`
}

// CheckRinseTank passes when either alternative of the standard is met; the
// verdict shown is the one with the better margin.
func CheckRinseTank(rs RuleSet, in RinseTank) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointRinseTank, LimitRinseTank, LimitRinseResidual)
	if err := everyError(err, spanTank.field("nominal_tank_l", in.NominalTankL), spanTank.field("rinse_tank_l", in.RinseTankL), spanTank.optional("dilutable_residual_l", in.ResidualL)); err != nil {
		return nil, err
	}
	b.least("rinse tank of nominal tank", 0, in.RinseTankL/in.NominalTankL*100, ls[0])
	if in.ResidualL == nil || b.vs[0].Pass {
		return b.vs, nil
	}
	b.least("rinse tank as multiple of the dilutable residual", 0, in.RinseTankL / *in.ResidualL, ls[1])
	if b.vs[1].Pass {
		return b.vs[1:], nil
	}
	return b.vs[:1], nil
}

// HandWash is the volume of the hand-wash tank.
type HandWash struct {
	TankL float64 `json:"tank_l"`
}

// CheckHandWash judges the volume.
func CheckHandWash(rs RuleSet, in HandWash) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointHandWash, LimitHandWash)
	if err := everyError(err, spanTank.field("tank_l", in.TankL)); err != nil {
		return nil, err
	}
	b.least("hand-wash tank", 0, in.TankL, ls[0])
	return b.vs, nil
}

// TankSize is the volume to the brim and the nominal volume.
type TankSize struct {
	NominalL float64 `json:"nominal_l"`
	TotalL   float64 `json:"total_l"`
}

// CheckTankSize judges the total volume as a share of nominal.
func CheckTankSize(rs RuleSet, in TankSize) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointTankSize, LimitTankSize)
	if err := everyError(err, spanTank.field("nominal_l", in.NominalL), spanTank.field("total_l", in.TotalL)); err != nil {
		return nil, err
	}
	b.least("tank of nominal volume", 0, in.TotalL/in.NominalL*100, ls[0])
	return b.vs, nil
}

// Residual is what stays in the machine after spraying empty.
type Residual struct {
	NominalTankL float64 `json:"nominal_tank_l"`
	BoomWidthM   float64 `json:"boom_width_m"`
	ResidualL    float64 `json:"residual_l"`
}

// ResidualLimit gives the allowed residual (l): a share of the nominal tank and
// litres per metre of boom, added.
func ResidualLimit(rs RuleSet, nominalTankL, boomWidthM float64) (Limit, error) {
	ls, err := rs.values(LimitResidualTank, LimitResidualPerMetre)
	if err := everyError(err, spanTank.field("nominal_tank_l", nominalTankL), spanSwath.field("boom_width_m", boomWidthM)); err != nil {
		return Limit{}, err
	}
	return Limit{Value: nominalTankL*ls[0].Value/100 + boomWidthM*ls[1].Value, Unit: "l", Source: ls[0].Source}, nil
}

// CheckResidual judges the residual.
func CheckResidual(rs RuleSet, in Residual) ([]Verdict, error) {
	b, _, err := setUp(rs, PointResidual)
	if err != nil {
		return nil, err
	}
	limit, err := ResidualLimit(rs, in.NominalTankL, in.BoomWidthM)
	if err := everyError(err, spanTank.field("residual_l", in.ResidualL)); err != nil {
		return nil, err
	}
	b.most("residual", 0, in.ResidualL, limit)
	return b.vs, nil
}
