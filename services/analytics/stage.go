package analytics

import (
	"context"
	"errors"
	"net/http"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/pg"
	"lensledger/services/web"
)

// stage is the answer: the summary of an operation at its stage, in numbers and
// in sentences. Its definition is that of the summary's rules.
type stage struct {
	AsOf      archive.AsOf  `json:"as_of"`
	PeersAsOf *archive.AsOf `json:"peers_as_of"` // what others had is of then
	feedback.Stage
	Words []string `json:"words"`
}

// staged is a summary in the making: the evidence of one reader, to be set beside
// what another one sums up.
type staged struct {
	asOf     archive.AsOf
	evidence feedback.Evidence
}

// getStage serves GET /v1/cases/{case}/stage.
func (s *Service) getStage(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: Reader(who), query: query, beside: feedbackRules,
		answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
			evidence, err := feedback.ReadEvidence(r.Context(), tx, mux.Vars(r)["case"], asOf)
			if errors.Is(err, feedback.ErrNoOperation) {
				return nil, &web.Error{Code: web.CodeNotFound, Message: "The case isn't an operation, so it has no stage."}
			}
			return staged{asOf, evidence}, err
		},
		after: func(ctx context.Context, body any) (any, error) { return s.stageOf(ctx, body.(staged)) }})
}

// stageOf sets the evidence beside what others had at the same count.
func (s *Service) stageOf(ctx context.Context, in staged) (stage, error) {
	out := stage{AsOf: in.asOf}
	var peers feedback.Peers
	err := pg.AsActor(ctx, s.cfg.Pool, FiguresReader(in.evidence.Row.Department), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(ctx, tx, "")
		if err != nil {
			return err
		}
		out.PeersAsOf = &asOf
		peers, err = feedback.ReadPeers(ctx, tx, in.evidence)
		return err
	})
	if err != nil {
		return out, err
	}
	if out.Stage, err = feedback.StageOf(in.evidence, peers); err != nil {
		return out, err
	}
	out.Words = out.Stage.Words()
	return out, nil
}
