package web

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestAFigureStaysInOneLineWithItsUnit(t *testing.T) {
	const hard = "\u00a0"
	for _, tc := range []struct{ page, want string }{
		{`<p>from 2 to 78 %</p>`, `<p>from 2 to 78` + hard + `%</p>`},
		{`<td>12.4 V, 640 A (EN); −8 °C, 45 min, 3 mA.</td>`, `<td>12.4` + hard + `V, 640` + hard + `A (EN); −8` + hard + `°C, 45` + hard + `min, 3` + hard + `mA.</td>`},
		{`<b>80 Ah</b> 5 Afternoons, 3 hours, 2 seconds, 4 Vans`, `<b>80` + hard + `Ah</b> 5 Afternoons, 3 hours, 2 seconds, 4 Vans`},
		{`<input value="12 V" title='a > 3 %'><textarea>11 V
</textarea><script>"7 V"</script><i>9 V</i>`, `<input value="12 V" title='a > 3 %'><textarea>11 V
</textarea><script>"7 V"</script><i>9` + hard + `V</i>`},
		{`5`, `5`},
		{`5 `, `5 `},
		{`5 %`, `5` + hard + `%`},
		{`<`, `<`},
		{``, ``},
	} {
		require.Equal(t, tc.want, string(unbroken([]byte(tc.page))))
	}
	rapid.Check(t, func(t *rapid.T) {
		page := strings.Join(rapid.SliceOf(rapid.SampledFrom([]string{"<", ">", "p", "\"", "'", "/", " ", "1", "%", "V ", "script", "textarea", "é"})).Draw(t, "page"), "")
		require.Equal(t, page, strings.ReplaceAll(string(unbroken([]byte(page))), hard, " "), "nothing else is changed")
	})
}
