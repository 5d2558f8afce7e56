package analytics

import (
	"fmt"
	"net/http"
	"reflect"
	"strings"

	"lensledger/events"
	"lensledger/projections/measure"
	"lensledger/services/web"
)

// riskRequest asks for the risk of one patient and eye. The factors have the
// names and units of the event preop.assessed; what is absent is unknown. Grade
// is the surgeon's: it is taken here and nowhere else, since charts and
// comparisons of individuals leave it at its reference.
type riskRequest struct {
	Model               string  `json:"model"`
	Version             string  `json:"version"`
	AgeYears            *int    `json:"age_years"`
	Sex                 *string `json:"sex"`
	Glaucoma            *bool   `json:"glaucoma"`
	DiabeticRetinopathy *bool   `json:"diabetic_retinopathy"`
	WhiteCataract       *bool   `json:"white_cataract"`
	BrunescentCataract  *bool   `json:"brunescent_cataract"`
	NoFundalView        *bool   `json:"no_fundal_view"`
	VitreousOpacities   *bool   `json:"vitreous_opacities"`
	Pseudoexfoliation   *bool   `json:"pseudoexfoliation"`
	Phacodonesis        *bool   `json:"phacodonesis"`
	Pupil               *string `json:"pupil"`
	AxialLengthUM       *int    `json:"axial_length_um"`
	AlphaBlocker        *string `json:"alpha_blocker"`
	CanLieFlat          *bool   `json:"can_lie_flat"`
	Grade               *string `json:"grade"`
}

// The model of the paper, as printed, and the version of it that charts and
// adjusted rates use, which is given when it is asked for.
var (
	published    = measure.CapsuleRupture2009()
	recalibrated = measure.DefaultModel()
)

// postRisk serves POST /v1/risks: the expected risk for given risk factors.
func (s *Service) postRisk(w http.ResponseWriter, r *http.Request) {
	var request riskRequest
	given, err := readBody(r, &request)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	model, faults := request.model(given)
	for _, f := range []struct {
		name string
		word *string
	}{{"sex", request.Sex}, {"pupil", request.Pupil}, {"alpha_blocker", request.AlphaBlocker}, {"grade", request.Grade}} {
		if f.word != nil && *f.word == "" {
			faults = append(faults, web.Fault{Pointer: "/" + f.name, Code: events.CodeNotAllowed, Detail: f.name + ": found empty text; leave it out when it is unknown"})
		}
	}
	if len(faults) > 0 {
		s.fail(w, r, refused(faults...))
		return
	}
	risk, err := model.RiskWithGrade(request.factors())
	if err != nil {
		names, _ := fieldsOf(reflect.ValueOf(request))
		s.fail(w, r, argumentError(err, names))
		return
	}
	web.WriteJSON(w, http.StatusOK, risk)
}

// model finds the model that is asked for: the published one unless a version
// says otherwise.
func (q riskRequest) model(given map[string]bool) (measure.Model, []web.Fault) {
	if given["model"] && q.Model != published.Name {
		return published, []web.Fault{{Pointer: "/model", Code: events.CodeNotAllowed,
			Detail: fmt.Sprintf("model: found %q, allowed %s", short(q.Model), published.Name)}}
	}
	if !given["version"] {
		return published, nil
	}
	for _, m := range []measure.Model{published, recalibrated} {
		if m.Version == q.Version {
			return m, nil
		}
	}
	return published, []web.Fault{{Pointer: "/version", Code: events.CodeNotAllowed,
		Detail: fmt.Sprintf("version: found %q, allowed %s", short(q.Version), strings.Join([]string{published.Version, recalibrated.Version}, ", "))}}
}

func (q riskRequest) factors() measure.Factors {
	word := func(p *string) string {
		if p == nil {
			return ""
		}
		return *p
	}
	answer := func(p *bool) measure.Answer {
		switch {
		case p == nil:
			return measure.Unknown
		case *p:
			return measure.Yes
		}
		return measure.No
	}
	return measure.Factors{
		AgeYears: q.AgeYears, Sex: word(q.Sex),
		Glaucoma: answer(q.Glaucoma), DiabeticRetinopathy: answer(q.DiabeticRetinopathy),
		WhiteCataract: answer(q.WhiteCataract), BrunescentCataract: answer(q.BrunescentCataract),
		NoFundalView: answer(q.NoFundalView), VitreousOpacities: answer(q.VitreousOpacities),
		Pseudoexfoliation: answer(q.Pseudoexfoliation), Phacodonesis: answer(q.Phacodonesis),
		Pupil: word(q.Pupil), AxialLengthUM: q.AxialLengthUM, AlphaBlocker: word(q.AlphaBlocker),
		CanLieFlat: answer(q.CanLieFlat), Grade: word(q.Grade),
	}
}
