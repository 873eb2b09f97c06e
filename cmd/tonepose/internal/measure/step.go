package measure

import (
	"errors"
	"fmt"
)

// ErrStep reports a step that failed after the result was there, which is kept.
var ErrStep = errors.New("what came before it is kept")

// StepFailed is the error of a step; nil of none.
func StepFailed(step string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w (%w)", step, err, ErrStep)
}
