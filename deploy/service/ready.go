package service

import (
	"errors"
	"reflect"

	"rigledger/fleet"
)

// inWords is what anybody may hear of err, since /readyz asks for no token: our
// own sentence, never the text of what caused it, in which a driver may put
// addresses. That is in the log of the room where it went wrong.
func inWords(err error) error {
	var domain *fleet.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &domain):
		return errors.New(domain.Message)
	case reflect.TypeOf(err) == reflect.TypeOf(errors.New("")):
		return err // a sentence of ours that no cause is part of
	}
	return errors.New("does not work at present; the log says why")
}
