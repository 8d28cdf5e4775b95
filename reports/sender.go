package reports

import (
	"context"
	"errors"
	"net/textproto"

	"rimeyard/internal/fleet"
)

// Sender hands a letter over: to a mail server, or to a folder. An error that is not ErrRefused may pass by itself.
type Sender interface {
	Send(ctx context.Context, l fleet.Letter) error
}

// ErrRefused marks a letter that will not be taken however often it is tried.
var ErrRefused = errors.New("refused for good")

// sorted marks a mail server's permanent refusals (5xx, RFC 5321 §4.2.1). All else, 4xx and whatever the network does, can
// be tried again.
func sorted(err error) error {
	if reply, ok := errors.AsType[*textproto.Error](err); ok && reply.Code >= 500 && reply.Code < 600 {
		return errors.Join(ErrRefused, err)
	}
	return err
}
