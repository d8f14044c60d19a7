package testbay

// Exact definitions: international foot and pound (1959 agreement, NIST
// SP 811 appendix B), US liquid gallon of 231 in³. The acre is the one of
// 43 560 international square feet.
const (
	litresPerGallon  = 3.785411784
	metresPerFoot    = 0.3048
	metresPerInch    = 0.0254
	kmPerMile        = 1.609344
	squareFeetPerAc  = 43560.0
	squareMetresHa   = 10000.0
	squareMetresAc   = squareFeetPerAc * metresPerFoot * metresPerFoot // 4046.8564224
	newtonsPerLbf    = 4.4482216152605
	pascalsPerBar    = 100000.0
	pascalsPerPSI    = newtonsPerLbf / (metresPerInch * metresPerInch) // 6894.757…
	ouncesPerGallon  = 128.0
	feetPerMinuteMPH = 88.0 // 5280 ft / 60 min
)

// LitresPerHectare converts US gallons per acre: 1 gal/ac = 9.3540 l/ha.
func LitresPerHectare(galPerAcre float64) float64 {
	return galPerAcre * litresPerGallon * (squareMetresHa / squareMetresAc)
}

// GallonsPerAcre converts litres per hectare to US gallons per acre.
func GallonsPerAcre(lPerHa float64) float64 {
	return lPerHa / (litresPerGallon * (squareMetresHa / squareMetresAc))
}

// LitresPerMinute converts US gallons per minute.
func LitresPerMinute(gpm float64) float64 { return gpm * litresPerGallon }

// GallonsPerMinute converts litres per minute to US gallons per minute.
func GallonsPerMinute(lPerMin float64) float64 { return lPerMin / litresPerGallon }

// Litres converts US gallons.
func Litres(gallons float64) float64 { return gallons * litresPerGallon }

// Gallons converts litres to US gallons.
func Gallons(litres float64) float64 { return litres / litresPerGallon }

// OuncesToGallons converts US fluid ounces: 128 to the gallon.
func OuncesToGallons(ounces float64) float64 { return ounces / ouncesPerGallon }

// GallonsToOunces converts US gallons to US fluid ounces.
func GallonsToOunces(gallons float64) float64 { return gallons * ouncesPerGallon }

// KmH converts miles per hour.
func KmH(mph float64) float64 { return mph * kmPerMile }

// MPH converts kilometres per hour to miles per hour.
func MPH(kmh float64) float64 { return kmh / kmPerMile }

// MetresFromInches converts inches.
func MetresFromInches(in float64) float64 { return in * metresPerInch }

// Inches converts metres to inches.
func Inches(m float64) float64 { return m / metresPerInch }

// MetresFromFeet converts feet.
func MetresFromFeet(ft float64) float64 { return ft * metresPerFoot }

// Feet converts metres to feet.
func Feet(m float64) float64 { return m / metresPerFoot }

// Bar converts pounds-force per square inch.
func Bar(psi float64) float64 { return psi * pascalsPerPSI / pascalsPerBar }

// PSI converts bar to pounds-force per square inch.
func PSI(bar float64) float64 { return bar * pascalsPerBar / pascalsPerPSI }

// Hectares converts acres.
func Hectares(acres float64) float64 { return acres * squareMetresAc / squareMetresHa }

// Acres converts hectares to acres.
func Acres(ha float64) float64 { return ha * squareMetresHa / squareMetresAc }
