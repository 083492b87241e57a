// The page's address.  The server keeps the token as a cookie; it need not be seen any longer.

export const address = new URL(location.href);

if (address.searchParams.has("token")) {
  address.searchParams.delete("token");
  history.replaceState(null, "", address);
}
