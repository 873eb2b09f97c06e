package cli

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"
)

// value is a flag in whose text parse finds a T.
type value[T any] struct {
	to         *T
	kind, text string
	parse      func(string) (T, error)
}

func (v *value[T]) String() string { return v.text }
func (v *value[T]) Type() string   { return v.kind }
func (v *value[T]) Set(text string) error {
	parsed, err := v.parse(strings.TrimSpace(text))
	if err == nil {
		*v.to, v.text = parsed, text
	}
	return err
}

// addValue adds a flag that parse reads. Its default is initial; without one, what
// to holds stays.
func addValue[T any](flags *pflag.FlagSet, to *T, name, initial, kind string, parse func(string) (T, error), help string) {
	v := &value[T]{to: to, kind: kind, parse: parse}
	if initial != "" {
		if err := v.Set(initial); err != nil {
			panic(fmt.Sprintf("--%s: %v", name, err))
		}
	}
	flags.Var(v, name, help)
}

// whole reads a whole number from lowest to highest.
func whole(lowest, highest int) func(string) (int, error) {
	return func(text string) (int, error) {
		n, err := strconv.Atoi(text)
		if err != nil || n < lowest || n > highest {
			return 0, fmt.Errorf("must be a whole number from %d to %d", lowest, highest)
		}
		return n, nil
	}
}

// seconds reads a duration that is not negative.
func seconds(text string) (float64, error) {
	s, err := signedSeconds(text)
	if err == nil && s < 0 {
		err = fmt.Errorf("must not be negative")
	}
	return s, err
}

// signedSeconds reads a duration.
func signedSeconds(text string) (float64, error) {
	d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
	if err == nil {
		return d.Seconds(), nil
	}
	if v, bare := strconv.ParseFloat(text, 64); bare == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
		return 0, fmt.Errorf("has no unit: write %sms or %ss", text, text)
	}
	if decimalComma.MatchString(text) {
		return 0, pointed(text)
	}
	return 0, fmt.Errorf("must be a duration, as 10ms or -2s")
}

// aboveZero reads what parse does, if it is positive.
func aboveZero(parse func(string) (float64, error)) func(string) (float64, error) {
	return func(text string) (float64, error) {
		v, err := parse(text)
		if err == nil && v <= 0 {
			err = fmt.Errorf("must be positive")
		}
		return v, err
	}
}

// oneOf reads one of several names, each with its value.
func oneOf[T any](names []string, values ...T) func(string) (T, error) {
	return func(text string) (v T, err error) {
		if i := slices.Index(names, text); i >= 0 {
			return values[i], nil
		}
		return v, &notOneOf{names}
	}
}

// notOneOf is the error of a text that is none of several names.
type notOneOf struct{ names []string }

func (e *notOneOf) Error() string {
	last := len(e.names) - 1
	return fmt.Sprintf("must be %s or %s", strings.Join(e.names[:last], ", "), e.names[last])
}

// listOf reads values between commas.
func listOf[T any](parse func(string) (T, error)) func(string) ([]T, error) {
	return func(text string) (list []T, err error) {
		for part := range strings.SplitSeq(text, ",") {
			v, err := parse(strings.TrimSpace(part))
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		return list, nil
	}
}
