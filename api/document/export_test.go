package document

// Render makes the page of another document.
var Render = render

// PageCSP is the page's content security policy.
const PageCSP = pageCSP
